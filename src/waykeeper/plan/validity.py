"""Does something done still count at the dates that hold now?"""

from __future__ import annotations

from datetime import date

from waykeeper.plan.model import Item


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
