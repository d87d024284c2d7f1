"""A task that counts from another one being done has its day once that is recorded.

Compile dates it when the plan is made again, and nothing asks for that: until then the row said that the other one is
awaited, though it was done.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from waykeeper.plan.model import MONDAY_TO_FRIDAY, Item, Plan, State
from waykeeper.plan.resolved_again import resolved_again
from waykeeper.plan.validity import to_come
from waykeeper.timing.model import Dates, Moment

_COMPLETION = "completion of "


def with_days(plan: Plan, state: State, as_of: date) -> Plan:
    """The plan with the days of what follows something that was done by the as-of day."""
    items = tuple(_dated(item, plan, state, as_of) for item in plan.items)
    return plan if all(a is b for a, b in zip(items, plan.items, strict=True)) else replace(plan, items=items)


def _dated(item: Item, plan: Plan, state: State, as_of: date) -> Item:
    event = item.dates.awaited or ""
    if item.key.kind != "task" or not event.startswith(_COMPLETION):
        return item
    done = _done_on(event.removeprefix(_COMPLETION), state, as_of)
    if done is None:
        return item
    due = resolved_again(plan, item.phrase, {event: Moment(done)}, plan.weekdays or MONDAY_TO_FRIDAY)
    return replace(item, dates=Dates(due, due)) if isinstance(due, Moment) else item


def _done_on(name: str, state: State, as_of: date) -> date | None:
    """The last day on which an item of this name was done; as compile has it, of several the latest counts."""
    own = (held for key, held in state.items.items() if key.item == name and held.was_done)
    days = [held.done_on for held in own if held.done_on is not None and not to_come(held.done_on, as_of)]
    return max(days, default=None)
