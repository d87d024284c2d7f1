"""Narrowing the list: by surgeon, procedure, phase, owner, week. Filters hide rows, they never change one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta

from waykeeper.gaps.model import Row, Worklist

NOBODY = "nobody"  # a surgeon or an owner
NO_PHASE = "none"


@dataclass(frozen=True, slots=True)
class Filters:
    """What the reader asked for; "" and None ask for nothing.

    surgeon     by the theatre list; `nobody` finds the rows without one
    procedure   name of the pathway
    phase       name of the phase; `none` finds the rows without one: the plans themselves, medicines, questions, and
                what stands outside phases
    owner       who owns the row; `nobody` finds the rows without one
    week        any day of the week
    """

    surgeon: str = ""
    procedure: str = ""
    phase: str = ""
    owner: str = ""
    week: date | None = None

    def __bool__(self) -> bool:
        """True if anything is asked for."""
        return any(getattr(self, f.name) for f in fields(self))

    def said(self) -> dict[str, str]:
        """What is asked for, by name; the week by its Monday."""
        found = {f.name: str(getattr(self, f.name)) for f in fields(self) if getattr(self, f.name)}
        if self.week is not None:
            found["week"] = monday(self.week).isoformat()
        return found


def monday(day: date) -> date:
    """The Monday of a day's week."""
    return day - timedelta(days=day.weekday())


def in_week(row: Row, week: date) -> bool:
    """True if the row is to be acted on, or its item falls, in the week of a day; no date = every week."""
    days = [d for d in (row.by, row.target, row.window_end) if d is not None]
    return not days or any(monday(d) == monday(week) for d in days)


def fits(row: Row, asked: Filters) -> bool:
    """True if a row is among those asked for."""
    for wanted, has in ((asked.surgeon, row.surgeon), (asked.owner, row.owner)):
        if wanted and (has or NOBODY).casefold() != wanted.casefold():
            return False
    if (asked.procedure and row.pathway != asked.procedure) or (asked.phase and (row.phase or NO_PHASE) != asked.phase):
        return False
    return asked.week is None or in_week(row, asked.week)


def select(
    rows: Iterable[Row],
    *,
    surgeon: str = "",
    procedure: str = "",
    phase: str = "",
    owner: str = "",
    week: date | None = None,
) -> tuple[Row, ...]:
    """The rows that fit every filter given, in their order. See `Filters` for what each asks."""
    asked = Filters(surgeon, procedure, phase, owner, week)
    return tuple(r for r in rows if fits(r, asked))


def narrow(report: Worklist, asked: Filters) -> Worklist:
    """The report with the rows that fit, the appointments of their patients, and what was asked for.

    Nothing asked for = the report itself.
    """
    if not asked:
        return report
    rows = tuple(r for r in report.rows if fits(r, asked))
    people = {r.identifier for r in rows}
    placed = tuple(p for p in report.appointments if p.identifier in people)
    counts = dict(sorted(Counter(r.verdict for r in rows).items()))
    made = replace(report, rows=rows, appointments=placed, counts=counts, asked=asked.said(), of_gaps=len(report.gaps))
    left = Counter(r.severity for r in report.gaps) - Counter(r.severity for r in made.gaps)
    return replace(made, left_out=dict(left))
