"""The days on which the clinic of a plan is closed, and where another plan of it says otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from waykeeper.plan.model import Item, Plan
from waykeeper.timing.model import Dates, Moment, WorkingCalendar


def closed_days(calendar: WorkingCalendar, items: Iterable[Item]) -> tuple[date, ...]:
    """The days from the first to the last of a plan on which the clinic would be open and is closed."""
    first, last = _first_and_last(items)
    return tuple(sorted(d for d in calendar.closed if first <= d <= last and d.weekday() in calendar.weekdays))


def closed_otherwise(stands: Plan, made: Plan) -> str:
    """What the closed days of a plan differ in from those it stands on, on the days that both know; "" for nothing.

    Of two files of one clinic nobody can tell from a plan which is the newer: a person is told, before dates go back.
    """
    if not stands.weekdays:  # a plan of before they were written
        return ""
    spans = [_first_and_last(plan.items) for plan in (stands, made)]
    first, last = max(s[0] for s in spans), min(s[1] for s in spans)
    closed, opened = set(made.closed) - set(stands.closed), set(stands.closed) - set(made.closed)
    told = [
        f"{word} {', '.join(d.isoformat() for d in days)}"
        for word, some in (("closed now", closed), ("open now", opened))
        if (days := sorted(d for d in some if first <= d <= last))
    ]
    if not told:
        return ""
    return (
        f"the clinic's closed days are others than before: {'; '.join(told)}. Make sure that its file is the newer one"
    )


def _first_and_last(items: Iterable[Item]) -> tuple[date, date]:
    """Of a plan without any day: an empty span."""
    days = [m.day for item in items for m in _moments(item.dates)]
    return (min(days), max(days)) if days else (date.max, date.min)


def _moments(dates: Dates) -> list[Moment]:
    ends = (dates.window.start, dates.window.end) if dates.window else ()
    return [m for m in (dates.target, dates.at, *ends) if m is not None]
