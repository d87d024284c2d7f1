"""Does something done still count at the dates that hold now?"""

from __future__ import annotations

from datetime import date

from waykeeper.plan.model import Item


def to_come(day: date | None, today: date | None) -> bool:
    """True for a day after today: what is recorded for it has not happened yet, whoever says so."""
    return day is not None and today is not None and day > today


def by_a_past_surgery(day: date | None, surgery: date | None, today: date) -> bool:
    """True for what was to be there by a surgery that is over: too late to do, not too late to record."""
    return day is not None and surgery is not None and day <= surgery < today


def done_counts(item: Item | None, done_on: date | None, today: date | None) -> bool:
    """True if what was done on this day counts for the dates that hold now.

    today   where it is known, what is recorded for a day after it does not count

    Where the age counts, done too early or on a day that nobody recorded is not done.
    """
    if to_come(done_on, today):
        return False
    if item is None or not (item.valid_for or item.dates.valid_from):
        return True
    return done_on is not None and (item.dates.valid_from is None or done_on >= item.dates.valid_from)


def still_valid(item: Item, done_on: date | None, *, moved: bool) -> bool:
    """True if what was done need not be done again.

    done_on   the day on which it was done; None where nobody recorded one
    moved     whether the item's dates are others than those it was done for

    `redo: on move` is done again whenever the dates moved. `valid_for` is a first day: done before it does not count.
    Without a recorded day nothing proves that it is recent enough, so after a move it is done again.
    """
    if item.redo == "on move" and moved:
        return False
    if item.dates.valid_from is None:
        return True
    return not moved if done_on is None else done_on >= item.dates.valid_from


def still_released(item: Item, released_on: date | None, *, moved: bool) -> bool:
    """True if the release of a restriction is of the one that holds now, not of one for an earlier date.

    It is where it lies on its first day or later. Without a day nothing proves that, so after a move it holds again.
    """
    first = item.dates.at or (item.dates.window.start if item.dates.window else None)
    if released_on is None or first is None:
        return not moved
    return released_on >= first.day
