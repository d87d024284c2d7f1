"""What a gate still lacks, from what is recorded. Only evidence and people fulfil a need, never a date."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

from waykeeper.medicines import settles
from waykeeper.plan.model import MEDICINES, Item, ItemState, Key, Plan, State


@dataclass(frozen=True, slots=True)
class GateState:
    """Whether every need is met, and which are not (in the gate's order)."""

    ready: bool
    lacking: tuple[Key, ...] = ()
    disputed: tuple[Key, ...] = ()  # needs about which a conflict waits for an answer


def need_met(key: Key, state: ItemState | None, attended: Collection[Key]) -> bool:
    """True if one need is fulfilled.

    A visit by evidence linked to it (`attended`) or by its completed request, a medicine by an answer that is clear, an
    instruction by being there at all (it is printed, not tracked), everything else by being completed. What was
    withdrawn counts only where the plan itself withdrew it.
    """
    if key.kind == "instruction":
        return True
    if state is None:
        return key.kind == "visit" and key in attended
    if state.withdrawn_by_us:
        return True
    if key.kind in MEDICINES:
        return settles(state.answer)
    completed = state.cls == "done" and state.status == "completed"
    return completed or (key.kind == "visit" and key in attended)


def lacking(gate: Item, known: Collection[Key], met: Callable[[Key], bool]) -> tuple[Key, ...]:
    """The needs of a gate that nothing fulfils, in its order. One that is not known counts as not fulfilled.

    `met` is `need_met` for what a server holds, and a verdict's word where evidence was read as well.
    """
    return tuple(need for need in gate.needs if need not in known or not met(need))


def gate_state(
    gate: Item, plan: Plan, state: State, *, attended: Collection[Key] = (), disputed: Collection[Key] = ()
) -> GateState:
    """What a gate lacks. A need that is not in the plan, and one with an open conflict, shut it."""
    known = {item.key for item in plan.items}
    left = lacking(gate, known, lambda need: need_met(need, state.items.get(need), attended))
    waiting = tuple(k for k in (*gate.needs, gate.key) if k in disputed)
    return GateState(not left and not waiting, left, waiting)
