"""Which items begin a new round: done for other dates, a no-show, a hold answered for another day or medicine."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from waykeeper.fhir.status import status, status_class
from waykeeper.fhir.write import LEADING, surgery_day, surgery_told
from waykeeper.medicines import same_medicine, speaks_for
from waykeeper.merge.attendance import Attendance
from waykeeper.merge.groups import digest_under, offer, scheme, wanted_before
from waykeeper.merge.held import Holding, Place
from waykeeper.merge.withdrawal import by_us
from waykeeper.plan.holds import as_first_proposed, longer_now, with_answer
from waykeeper.plan.model import MEDICINES, HoldAnswer, Item, ItemState, Key, Plan
from waykeeper.plan.validity import still_released, still_valid
from waykeeper.timing.model import Moment

FOR_ANOTHER_ANAESTHETIC = "answered for another anaesthetic, with fewer days"
CHANGE = "change"  # the anchor that a move gives the day on which the date was changed; it happens again


@dataclass(frozen=True, slots=True)
class Rounds:
    """The round of each item that is not in its first, and why new ones begin."""

    numbers: Mapping[Key, int]
    new: Mapping[Key, str]


def current(plan: Plan, held: Holding) -> dict[Key, int]:
    """The round in which each item stands on the server; 1 for what was never there."""
    return {item.key: max(held.highest(item.key), 1) for item in plan.items}


def renewed(
    plan: Plan,
    held: Holding,
    wanted: Mapping[Place, Mapping[str, Any]],
    *,
    visits: Attendance,
    taken: Collection[Key] = (),
    today: date | None = None,
) -> Rounds:
    """The rounds of this push.

    `wanted` is the plan written in its current rounds; `taken` are items that begin a round by a person's decision.
    """
    numbers = current(plan, held)
    new: dict[Key, str] = {}
    for item in plan.items:
        reason = "a person chose the plan's side" if item.key in taken else ""
        if not reason and item.key.kind != "gate":
            reason = _reason(item, numbers[item.key], plan, held, wanted, visits, today)
        if reason:
            new[item.key] = reason
    _gates(plan, held, wanted, numbers, new)
    return Rounds({k: n + 1 if k in new else n for k, n in numbers.items()}, new)


def _reason(
    item: Item,
    number: int,
    plan: Plan,
    held: Holding,
    wanted: Mapping[Place, Mapping[str, Any]],
    visits: Attendance,
    today: date | None,
) -> str:
    key = item.key
    if key.kind == "visit":
        return _fell_through(key, number, held, visits)
    place = (key, LEADING[key.kind][1], number)
    if place not in held.own:
        return ""
    leading = held.own[place][1]
    if key.kind in MEDICINES:
        told = _told_of_another_medicine(item, held) or _answered_for_another_day(item, leading, plan, held)
        return told or _answered_for_another_anaesthetic(item, plan, held, today)
    done = status(leading) == "completed"
    if key.kind == "task" and done:
        state = held.state.items.get(key)
        moved = _moved(leading, wanted.get(place))
        if item.phrase.endswith(f" {CHANGE}") and _another_surgery(plan, held):
            return "done for an earlier change of the date"
        if not still_valid(item, state.done_on if state else None, moved=moved):
            return "done for other dates" if item.redo == "on move" and moved else "done too early to count now"
    if key.kind == "restriction" and done:
        state, moved = held.state.items.get(key), _moved(leading, wanted.get(place))
        if not still_released(item, state.done_on if state else None, moved=moved):
            return "released before it begins"
    return ""


def _another_surgery(plan: Plan, held: Holding) -> bool:
    """The moment of surgery is another than the one that stands: people are told again, twice a day if need be."""
    before, now = held.plan.anchor("surgery") if held.plan else None, plan.anchor("surgery")
    if before is None or now is None:
        return False
    was = before.moment and before.moment.on_the_clock_of(plan.zone)
    return was != now.moment


def _moved(leading: Mapping[str, Any], wanted: Mapping[str, Any] | None) -> bool:
    """True if the dates wanted now are others than those last offered."""
    if wanted is None:
        return False
    return bool(offer(leading, "when")) and not wanted_before(wanted, leading, "when")


def _fell_through(key: Key, number: int, held: Holding, visits: Attendance) -> str:
    """A booking of ours that was missed or cancelled after it had a start; the visit is still to come.

    Also where a scheduler completed its request with the booking; what we withdrew is reinstated with it.
    """
    booked = held.own.get((key, "appointment", number))
    request = held.own.get((key, "request", 1))
    if (
        booked is None
        or key in visits.attended
        or key in visits.taken_up
        or request is None
        or not (status_class(request[1]) in ("open", "done") or by_us(request[1]))
    ):
        return ""
    said = status(booked[1])
    if said == "noshow":
        return "the patient did not come"
    if said == "cancelled" and booked[1].get("start") and not by_us(booked[1]):
        return "the booking was cancelled"
    return ""


def _told_of_another_medicine(item: Item, held: Holding) -> str:
    """The order names another medicine than when somebody answered, or recorded a dose of it: nothing of it counts."""
    state, before = held.state.items.get(item.key), held.standing_name(item.key)
    if item.hold is None or state is None or before is None or same_medicine(before, item.hold.medicine):
        return ""
    if state.answer is not None:
        return "answered for another medicine"
    return "a dose of another medicine was recorded" if state.last_taken is not None else ""


def _answered_for_another_day(item: Item, leading: Mapping[str, Any], plan: Plan, held: Holding) -> str:
    """A hold that was answered for another day; where its limit is counted in hours, also for another hour."""
    state = held.state.items.get(item.key)
    answer = state.answer if state else None
    if answer is None or (item.key.kind == "medicine" and answer.missed_days is None):
        return ""
    told = offer(leading, "surgery") or (surgery_day(held.plan) if held.plan else "")
    day, _, hour = told.partition("T")
    if day != surgery_day(plan):
        return "answered for another surgery day"
    return "answered for another hour of surgery" if hour and told != surgery_told(plan, item) else ""


def _answered_for_another_anaesthetic(item: Item, plan: Plan, held: Holding, today: date | None) -> str:
    """A hold that was answered with fewer days than are proposed for another anaesthetic; before surgery is over."""
    state, surgery = held.state.items.get(item.key), plan.surgery_day
    if state is None or surgery is None or (today is not None and surgery < today):
        return ""
    return FOR_ANOTHER_ANAESTHETIC if _asks_more(item, state.answer, plan, held) else ""


def _asks_more(item: Item, told: HoldAnswer | None, plan: Plan, held: Holding) -> bool:
    another = held.plan is not None and held.plan.anaesthesia != plan.anaesthesia
    return another and longer_now(item, told)


def _gates(
    plan: Plan,
    held: Holding,
    wanted: Mapping[Place, Mapping[str, Any]],
    numbers: Mapping[Key, int],
    new: dict[Key, str],
) -> None:
    """Gates that people released, asked again where they moved or a need began a round; until nothing changes."""
    gates = [item for item in plan.items if item.key.kind == "gate"]
    while True:
        before = len(new)
        for gate in gates:
            place = (gate.key, "gate", numbers[gate.key])
            if gate.key in new or place not in held.own:
                continue
            reason = _released_before(gate, held.own[place][1], wanted.get(place), new)
            reason = reason or _mirrored_before(gate, numbers[gate.key], held, new)
            if reason:
                new[gate.key] = reason
        if len(new) == before:
            return


def _released_before(
    gate: Item, leading: Mapping[str, Any], wanted: Mapping[str, Any] | None, new: Mapping[Key, str]
) -> str:
    if status_class(leading) != "done":
        return ""
    if _moved(leading, wanted):
        return "released for another date"
    return "what it needs must be done again" if any(need in new for need in gate.needs) else ""


def _mirrored_before(gate: Item, number: int, held: Holding, new: Mapping[Key, str]) -> str:
    """A person ticked off a need that must be done again; ticks of ours are simply taken back."""
    for need in gate.needs:
        mirror = held.own.get((gate.key, f"mirror:{need}", number))
        if need not in new or mirror is None or status_class(mirror[1]) != "done":
            continue
        if offer(mirror[1], "status") != digest_under(scheme(mirror[1]), mirror[1], "status"):
            return "what it needs must be done again"
    return ""


def as_asked(plan: Plan, held: Holding, rounds: Rounds) -> Plan:
    """The plan with each medicine as it stands with the prescriber: answered in this round, or asked (again)."""
    surgery = plan.anchor("surgery")
    moment = surgery.moment if surgery else None
    if moment is None or not held.state.items:
        return plan
    items = tuple(_as_asked(item, plan, held, item.key in rounds.new, moment) for item in plan.items)
    return plan if all(a is b for a, b in zip(items, plan.items, strict=True)) else replace(plan, items=items)


def _as_asked(item: Item, plan: Plan, held: Holding, again: bool, surgery: Moment) -> Item:
    state = held.state.items.get(item.key)
    if item.hold is None or (state is None and item.hold.answered is None):
        return item
    if state is None:  # it was answered under its other kind, as a hold or as none: what it is now is asked anew
        state = ItemState(item.key)
    answer: HoldAnswer | None = None if again else state.answer
    earlier = state.answer if again else state.earlier
    if earlier is not None and not speaks_for(earlier, item.hold.medicine):
        earlier = None  # the number of days for another medicine is no proposal for this one
    hold = item.hold
    if earlier is None:  # nothing to propose; or what was answered under the other kind, which may be too few
        anew = state.round > 1 or longer_now(item, hold.answered)
    else:
        anew = _asks_more(item, earlier, plan, held)
    if answer is None and anew:
        hold, earlier = as_first_proposed(hold), None  # nor is a number where more days are proposed
    if hold is item.hold and answer == hold.answered and not earlier:
        return item
    hold = replace(hold, answered=answer)
    if answer is not None:
        hold = with_answer(hold, answer, surgery)
    elif earlier is not None and earlier.missed_days is not None:
        hold = replace(with_answer(hold, earlier, surgery), answered=None)
    at = Moment(hold.last_dose) if hold.last_dose else item.dates.at
    return replace(item, hold=hold, dates=replace(item.dates, at=at, target=at))
