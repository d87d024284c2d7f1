"""What a gate still lacks, from what is recorded. Only evidence and people fulfil a need, never a date."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date

from waykeeper.medicines import settles
from waykeeper.plan.holds import answered_too_late, last_dose_of, pauses, taken_inside
from waykeeper.plan.model import MEDICINES, Item, ItemState, Key, Plan, State
from waykeeper.plan.validity import done_counts, to_come


@dataclass(frozen=True, slots=True)
class GateState:
    """Whether every need is met, and which are not (in the gate's order)."""

    ready: bool
    lacking: tuple[Key, ...] = ()


def need_met(
    key: Key,
    state: ItemState | None,
    attended: Collection[Key],
    *,
    item: Item | None = None,
    today: date | None = None,
    surgery: date | None = None,
) -> bool:
    """True if one need is fulfilled.

    item    whose need it is, where its dates are known: done too early, or on a day that nobody recorded where the age
            counts, is not done
    today   the day to look at: what is recorded for a day after it has not happened yet
    surgery the day of it, with which a dose inside an answered pause is seen

    A visit by evidence linked to it (`attended`) and not by its completed request, for schedulers complete that with
    the booking; a medicine by an answer that is clear, an instruction by being there at all (it is printed, not
    tracked), everything else by being completed. What was withdrawn counts only where the plan itself withdrew it.
    """
    if key.kind == "instruction":
        return True
    if state is not None and state.withdrawn_by_us:
        return True
    if key.kind == "visit":
        return key in attended
    if state is None:
        return False
    if key.kind in MEDICINES:
        doubted = _recorded_ahead(state, today) or _broken(item, state, surgery) or _late(state, today, surgery)
        return settles(state.answer) and not doubted
    return state.cls == "done" and state.status == "completed" and done_counts(item, state.done_on, today)


def _recorded_ahead(state: ItemState, today: date | None) -> bool:
    """True where the answer, or the last dose, is recorded for a day that has not come."""
    told = [state.answer.on if state.answer else None, state.last_taken.day if state.last_taken else None]
    return any(to_come(day, today) for day in told)


def _broken(item: Item | None, state: ItemState, surgery: date | None) -> bool:
    """True where a dose was taken inside the pause that was answered."""
    answer = state.answer
    if item is None or answer is None or surgery is None or not pauses(answer):
        return False
    return taken_inside(item.hold, state.last_taken or answer.last_taken, last_dose_of(answer, surgery), surgery)


def _late(state: ItemState, today: date | None, surgery: date | None) -> bool:
    """True up to the day of surgery where the answer came after its last-dose day: whether the pause is kept nobody
    knows yet."""
    over = today is not None and surgery is not None and today > surgery
    return not over and answered_too_late(state, state.answer, surgery)


def lacking(gate: Item, known: Collection[Key], met: Callable[[Key], bool]) -> tuple[Key, ...]:
    """The needs of a gate that nothing fulfils, in its order. One that is not known counts as not fulfilled.

    `met` is `need_met` for what a server holds, and a verdict's word where evidence was read as well.
    """
    return tuple(need for need in gate.needs if need not in known or not met(need))


def gate_state(
    gate: Item,
    plan: Plan,
    state: State,
    *,
    attended: Collection[Key] = (),
    disputed: Collection[Key] = (),
    today: date | None = None,
) -> GateState:
    """What a gate lacks. A need that is not in the plan, and one with an open conflict, shut it."""
    known = {item.key: item for item in plan.items}
    surgery = plan.surgery_day

    def met(need: Key) -> bool:
        return need_met(need, state.items.get(need), attended, item=known.get(need), today=today, surgery=surgery)

    left = lacking(gate, known, met)
    waits = any(key in disputed for key in (*gate.needs, gate.key))
    return GateState(not left and not waits, left)
