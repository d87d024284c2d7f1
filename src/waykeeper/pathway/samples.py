"""When the items of a pathway would fall for a few chosen days of surgery: what order they come in, before any patient.

The days are chosen so that months clip, a leap day and a year's end are crossed. Every day counts as open, since
whether items come in order must not hang on a holiday.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time

from waykeeper.pathway.build import Draft
from waykeeper.pathway.phrasing import Phrased, Phrases
from waykeeper.timing import Moment, Phrase, TimingError, Window, WorkingCalendar, resolve

DAYS = (date(2026, 3, 18), date(2027, 1, 31), date(2027, 8, 31), date(2028, 2, 29), date(2027, 12, 30))
CALENDAR = WorkingCalendar(
    "UTC", frozenset(range(7)), parts={"morning": time(8), "afternoon": time(13), "evening": time(19)}
)
_START = time(7, 30)


@dataclass(frozen=True, slots=True)
class Sample:
    """The moments of all events for one day of the first required anchor; None for what that does not settle."""

    day: date
    known: Mapping[str, Moment | None]

    def moment(self, phrase: Phrase) -> Moment | None:
        """A point's moment; None where it is awaited or cannot be given."""
        answer = self._answer(phrase)
        return answer if isinstance(answer, Moment) else None

    def window(self, phrase: Phrase, target: Moment | None = None) -> Window | None:
        """A span's window; `target` is the moment that the word target means."""
        answer = self._answer(phrase, target)
        return answer if isinstance(answer, Window) else None

    def _answer(self, phrase: Phrase, target: Moment | None = None) -> object:
        known = {**self.known, "target": target} if target is not None else self.known
        try:
            return resolve(phrase, known, CALENDAR)
        except (TimingError, OverflowError, ValueError):
            return None

    def days(self, phrased: tuple[Phrased, ...]) -> tuple[date, ...]:
        """The days of several points, those without a date left out; sorted."""
        moments = (self.moment(p.phrase) for p in phrased)
        return tuple(sorted(m.day for m in moments if m is not None))


def samples(draft: Draft, phrases: Phrases) -> tuple[Sample, ...]:
    """One sample for each of the chosen days."""
    return tuple(_sample(day, draft, phrases) for day in DAYS)


def _sample(day: date, draft: Draft, phrases: Phrases) -> Sample:
    known: dict[str, Moment | None] = {anchor.name: None for anchor, _ in draft.anchors}
    first = next((anchor.name for anchor, _ in draft.anchors if anchor.required), None)
    if first is not None:  # how far a second required anchor lies from the first, nobody knows beforehand
        known[first] = Moment(day, _START, CALENDAR.zone)
    waiting = [(a.name, "anchor", "assume", a.name) for a, _ in draft.anchors]
    waiting += [(f"visit {d.item.name}", "visit", "at", d.item.name) for d in draft.items if d.item.kind == "visit"]
    for _ in range(len(waiting)):  # each round settles at least one more, or nothing is left that could be
        before = sum(m is not None for m in known.values())
        for event, kind, key, owner in waiting:
            phrased = phrases.one(kind, owner, key)
            if phrased is not None and known.get(event) is None:
                known[event] = Sample(day, known).moment(phrased.phrase)
        if sum(m is not None for m in known.values()) == before:
            break
    return Sample(day, known)
