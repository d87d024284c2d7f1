"""What a recorded release means for the patient's page: the rule that it ends, and what begins with it.

Both are asked here, so that no day of a page has both (the splint stays on, wear the boot) and none has neither. What
is recorded counts at once, also before the plan is compiled again.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date

from waykeeper.plan.model import Item, ItemState, Key, Plan, State
from waykeeper.plan.resolved_again import resolved_again
from waykeeper.plan.validity import still_released, to_come
from waykeeper.timing.model import Moment, Window

_RELEASE = re.compile(r"\brelease of ([a-z0-9_-]+)")


def gates_in(phrase: str) -> tuple[str, ...]:
    """The gates from whose release a phrase counts."""
    return tuple(dict.fromkeys(_RELEASE.findall(phrase)))


def ended_on(state: State, rule: Item, as_of: date) -> date | None:
    """The day from which a restriction no longer holds by the release of its gate; None while it holds.

    Never before its earliest day, whenever the gate was released, and never by a release of which no day is recorded.
    """
    released = _gate_day(state, rule.ending_gate, as_of) if rule.ending_gate else None
    if released is None or not still_released(rule, released, moved=True):  # before it began: of another surgery day
        return None
    day = max(released, rule.dates.earliest or released)
    return None if to_come(day, _today(as_of)) else day


def released_on(plan: Plan, state: State, gate: str, as_of: date) -> date | None:
    """The day from which a gate is open for the patient: when no restriction that it ends holds any more.

    A restriction that was itself released counts as the gate's release; None while one holds, or no day is recorded.
    """
    days: list[date | None] = [_own_day(state, r) or ended_on(state, r, as_of) for r in _rules(plan, state, gate)]
    days = days or [_gate_day(state, Key("gate", gate), as_of)]
    known = [d for d in days if d is not None]
    return max(known) if len(known) == len(days) else None


def window_of(plan: Plan, state: State, item: Item, as_of: date) -> Window | None:
    """The days of an instruction that counts from releases, by what is recorded; None while one is not."""
    return _window(plan, item, {gate: released_on(plan, state, gate, as_of) for gate in gates_in(item.phrase)})


def waits_until(plan: Plan, state: State, item: Item) -> date | None:
    """The last day of an instruction that counts from releases, were each given on the first day that its rule allows.

    After it nothing waits on a page: the rule is still there, and a release that comes begins it all the same.
    None where the plan does not say it.
    """
    found = _window(plan, item, {gate: _first_day(_rules(plan, state, gate)) for gate in gates_in(item.phrase)})
    return found.end.day if found else None


def _first_day(rules: list[Item]) -> date | None:
    """The first day on which all of the rules can be released."""
    starts = [(r.dates.earliest, r.dates.point) for r in rules]
    days = [earliest or (start.day if start else None) for earliest, start in starts]
    known = [d for d in days if d is not None]
    return max(known) if known and len(known) == len(days) else None


def _window(plan: Plan, item: Item, opened: Mapping[str, date | None]) -> Window | None:
    if None in opened.values():
        return None
    released = {f"release of {gate}": Moment(day) for gate, day in opened.items() if day}
    found = resolved_again(plan, item.phrase, released, plan.weekdays)
    if isinstance(found, Moment):
        return Window(found, found)
    return found or item.dates.window


def _rules(plan: Plan, state: State, gate: str) -> list[Item]:
    """The restrictions in force that end by the release of a gate."""
    return [
        i for i in plan.items
        if i.key.kind == "restriction" and i.ending_gate == Key("gate", gate)
        and state.items.get(i.key, ItemState(i.key)).cls not in ("withdrawn", "void")
    ]  # fmt: skip


def _own_day(state: State, rule: Item) -> date | None:
    held = state.items.get(rule.key)
    return held.done_on if held and held.was_done else None


def _gate_day(state: State, gate: Key, as_of: date) -> date | None:
    held = state.items.get(gate)
    day = held.done_on if held is not None and held.was_done else None
    return None if to_come(day, _today(as_of)) else day


def _today(as_of: date) -> date | None:
    """None for a page that is of no day (the calendar, the check code): all that is recorded counts for it.

    What begins with a release is dated there. What ends with one stays in a calendar until that day has come: whoever
    makes one asks again with the day of making.
    """
    return None if as_of == date.min else as_of
