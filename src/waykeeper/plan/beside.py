"""Several plans of one patient: a pause, or a dose, that is recorded in one of them and matters to another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date

from waykeeper.medicines import NOT_TAKEN
from waykeeper.medicines.other_surgeries import pauses_meet
from waykeeper.plan.holds import answer_in_force, goes_on, last_dose_of, pauses, restarted, taken_inside
from waykeeper.plan.model import MEDICINES, Item, ItemState, Key, Plan, State

PlanState = tuple[Plan, State]
Pause = tuple[date, date | None]  # the last-dose day, and the day from which a restart is proposed
_IN_FORCE = ("active", "draft")


def same_order(item: Item, other: Item) -> bool:
    """The same order, or the same substance: another record may have given it another key."""
    ours, theirs = (set(i.hold.ingredients) if i.hold else set() for i in (item, other))
    return item.key.item == other.key.item or bool(ours & theirs)


def pause_of(item: Item, own: ItemState, surgery: date, today: date | None) -> Pause | None:
    """The pause of a medicine, answered or proposed; None for what does not pause, or is taken again."""
    if item.key.kind not in MEDICINES or item.hold is None or own.cls == "withdrawn":
        return None
    answer = answer_in_force(item, own)
    if restarted(item, own, surgery, today):
        return None
    if answer is not None and (goes_on(answer) or answer.decision in NOT_TAKEN):
        return None
    last = last_dose_of(answer, surgery) if answer is not None and pauses(answer) else item.hold.last_dose
    return (last, item.hold.restart_from) if last is not None else None


def with_pauses_of_before(plans: Sequence[PlanState]) -> list[PlanState]:
    """The plans of one patient, each told which of its medicines another one's answered pause still holds.

    That is of an operation before or on the same day, in force, without a restart, and begins earlier than this plan's
    own pause and runs into it: whoever was told to stop must not read a later last day on which it may be taken.
    """
    return [(plan, replace(state, paused_before=_before(plan, state, plans))) for plan, state in plans]


def _before(plan: Plan, state: State, plans: Sequence[PlanState]) -> Mapping[Key, str]:
    surgery = plan.surgery_day
    if surgery is None:
        return {}
    found = {}
    for other, said in plans:
        day = other.surgery_day
        if other is plan or said.plan_status not in _IN_FORCE or other.withdrawn or day is None or day > surgery:
            continue
        for item in plan.items:
            ours = pause_of(item, _own(state, item), surgery, None)
            for last, restart in _answered(item, other, said, day) if ours is not None else ():
                if ours and last < ours[0] and pauses_meet(ours[0], ours[1], surgery, last, restart, day):
                    found[item.key] = f"{other.operation} on {day:%a} {day.isoformat()}"
    return found


def _answered(item: Item, other: Plan, said: State, day: date) -> Iterator[Pause]:
    """The answered pauses of the same medicine in another plan."""
    for one in other.items:
        if one.key.kind in MEDICINES and same_order(item, one):
            answer = answer_in_force(one, _own(said, one))
            span = pause_of(one, _own(said, one), day, None)
            if span is not None and answer is not None and pauses(answer):
                yield span


def with_doses_of_all(plans: Sequence[PlanState]) -> list[PlanState]:
    """The plans of one patient, each with a dose inside its own pause that was noted in another one.

    Only that: a dose of before the pause says of another operation nothing, and is no proof of a last dose.
    """
    return [(plan, _with_doses(plan, state, plans)) for plan, state in plans] if len(plans) > 1 else list(plans)


def _with_doses(plan: Plan, state: State, plans: Sequence[PlanState]) -> State:
    surgery = plan.surgery_day
    noted = [
        (one, dose)
        for other, said in plans
        for one in other.items
        if other is not plan and one.key.kind in MEDICINES and (dose := _own(said, one).last_taken)
    ]
    if surgery is None or not noted:
        return state
    more = {}
    for item in plan.items:
        own = _own(state, item)
        answer = answer_in_force(item, own)
        if item.key.kind not in MEDICINES or answer is None or not pauses(answer):
            continue
        last = last_dose_of(answer, surgery)
        doses = [d for one, d in noted if same_order(item, one) and taken_inside(item.hold, d, last, surgery)]
        if doses and not taken_inside(item.hold, own.last_taken, last, surgery):
            more[item.key] = replace(own, last_taken=max(doses, key=lambda dose: (dose.day, str(dose))))
    return replace(state, items={**state.items, **more}) if more else state


def _own(state: State, item: Item) -> ItemState:
    return state.items.get(item.key, ItemState(item.key))
