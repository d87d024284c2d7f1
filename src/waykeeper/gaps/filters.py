"""Narrowing the list: by surgeon, procedure, phase, owner, week. Filters hide rows, they never change one."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from waykeeper.gaps.model import Row

NOBODY = "nobody"


def monday(day: date) -> date:
    """The Monday of a day's week."""
    return day - timedelta(days=day.weekday())


def in_week(row: Row, week: date) -> bool:
    """True if the row is to be acted on, or its item falls, in the week of a day; no date = every week."""
    days = [d for d in (row.by, row.target, row.window_end) if d is not None]
    return not days or any(monday(d) == monday(week) for d in days)


def select(
    rows: Iterable[Row],
    *,
    surgeon: str = "",
    procedure: str = "",
    phase: str = "",
    owner: str = "",
    week: date | None = None,
) -> tuple[Row, ...]:
    """The rows that fit every filter given, in their order.

    procedure   name of the pathway
    owner       `nobody` finds the rows without one
    week        any day of the week
    """

    def fits(row: Row) -> bool:
        if surgeon and row.surgeon.casefold() != surgeon.casefold():
            return False
        if (procedure and row.pathway != procedure) or (phase and row.phase != phase):
            return False
        if owner and (row.owner or NOBODY).casefold() != owner.casefold():
            return False
        return week is None or in_week(row, week)

    return tuple(r for r in rows if fits(r))
