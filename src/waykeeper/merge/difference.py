"""What changes for people between two plans of one episode, item by item, medicines first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from waykeeper.merge.model import Decisions
from waykeeper.plan.model import Item, Key, Plan, State
from waykeeper.timing.model import Dates

Change = Literal["conflict", "again", "valid", "moved", "new", "gone", "unchanged"]
MEDICINES = ("hold", "medicine")


@dataclass(frozen=True, slots=True)
class Row:
    """What becomes of one item. `before` and `after` are its dates as days, "" where it has none.

    conflict   a person must decide        again   done, and must be done again
    valid      done, and still counts      moved   other dates
    new, gone  only in the new plan, only in the old one
    """

    item: Key
    title: str
    change: Change
    before: str = ""
    after: str = ""


def difference(old: Plan, new: Plan, state: State, decided: Decisions) -> list[Row]:
    """A row for each item of either plan, each exactly once: medicines first, then in the new plan's order.

    state     what is recorded of the old plan; `decided` what the merge of the new one decided
    """
    was, now = {i.key: i for i in old.items}, {i.key: i for i in new.items}
    asked = {q.key for q in decided.conflicts}
    begun = {d.item for d in decided.rows if d.word == "create" and d.round > 1}
    keys = [*now, *(k for k in was if k not in now)]
    rows = []
    for key in keys:
        before, after = was.get(key), now.get(key)
        change = _change(before, after, key in asked, str(key) in begun, state)
        title = now[key].title if after else was[key].title
        rows.append(Row(key, title, change, days(before.dates) if before else "", days(after.dates) if after else ""))
    return _medicines_first(rows)


def _change(before: Item | None, after: Item | None, asked: bool, begun: bool, state: State) -> Change:
    if asked:
        return "conflict"
    if after is None:
        return "gone"
    if before is None:
        return "new"
    if begun:
        return "again"
    known = state.items.get(after.key)
    if known is not None and (known.cls == "done" or known.answer is not None):
        return "valid"
    return "unchanged" if before.dates == after.dates else "moved"


def days(dates: Dates) -> str:
    """The dates of an item as days: its point, its window, or what it awaits."""
    if dates.window:
        return str(dates.window)
    if dates.at:
        return dates.at.day.isoformat()
    return f"awaits {dates.awaited}" if dates.awaited else ""


def _medicines_first(rows: Sequence[Row]) -> list[Row]:
    return sorted(rows, key=lambda row: row.item.kind not in MEDICINES)
