"""A weaning calendar is an editable template, never a prescription: halve, then widen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from waykeeper.findings import Finding, finding

TABLETS_UP_TO = 40  # of 5 mg oxycodone: a clinic setting, low; where it is from says WKM401; callers pass their own


@dataclass(frozen=True, slots=True)
class WeanPhase:
    """Days after surgery, both included, and the most tablets of each of them."""

    first_day: int
    last_day: int
    tablets_per_day: Fraction
    words: str = ""


@dataclass(frozen=True, slots=True)
class WeanDay:
    """One printed day: date, most tablets, MME."""

    day: date
    tablets: Fraction
    mme: Fraction
    words: str = ""


TEMPLATE = (
    WeanPhase(0, 2, Fraction(6), "1 tablet every 4 hours as needed"),
    WeanPhase(3, 5, Fraction(3), "halve: half a tablet every 4 hours (or 1 every 8 hours)"),
    WeanPhase(6, 9, Fraction(2), "widen: half a tablet every 6 hours (or 1 every 12 hours)"),
    WeanPhase(10, 13, Fraction(1), "widen: half a tablet every 12 hours (or 1 every 24 hours)"),
)
TEMPLATE_OFF = 14


def tablets(phases: Sequence[WeanPhase]) -> Fraction:
    """All tablets of a calendar."""
    return sum(((p.last_day - p.first_day + 1) * p.tablets_per_day for p in phases), Fraction(0))


def check_weaning(phases: Sequence[WeanPhase], off: int, most: int = TABLETS_UP_TO) -> list[Finding]:
    """Findings on an edited template: days covered once, never more than the day before, not over the range."""
    found: list[Finding] = []
    covering = [[p for p in phases if p.first_day <= day <= p.last_day] for day in range(off)]
    for day, here in enumerate(covering):
        if not here:
            found.append(finding("WKM401", f"day {day} after surgery is in no phase"))
        elif len(here) > 1:
            found.append(finding("WKM401", f"day {day} after surgery is in {len(here)} phases"))
    found += [
        finding("WKM401", f"the phase of days {p.first_day} to {p.last_day} runs past the last day {off - 1}")
        for p in phases
        if p.last_day >= off or p.first_day < 0 or p.first_day > p.last_day
    ]
    ordered = sorted(phases, key=lambda p: p.first_day)
    for before, after in pairwise(ordered):
        if after.tablets_per_day > before.tablets_per_day:
            more, less = float(after.tablets_per_day), float(before.tablets_per_day)
            found.append(finding("WKM402", f"{more:g} tablets a day from day {after.first_day}, {less:g} before"))
    total = tablets(phases)
    if total > most:
        found.append(finding("WKM403", f"{float(total):g} tablets, the range goes up to {most}"))
    return found


def weaning_calendar(phases: Sequence[WeanPhase], surgery: date, mme_per_tablet: Fraction) -> tuple[WeanDay, ...]:
    """The days of a calendar with their dates, in order. Check it first."""
    return tuple(
        WeanDay(surgery + timedelta(n), p.tablets_per_day, p.tablets_per_day * mme_per_tablet, p.words)
        for p in sorted(phases, key=lambda p: p.first_day)
        for n in range(p.first_day, p.last_day + 1)
    )
