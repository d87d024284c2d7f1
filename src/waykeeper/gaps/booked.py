"""The operation itself, as bookings and orders tell it: what the theatre list would say, from whoever else knows.

An Appointment (of FHIR, a scheduler's table, a calendar, HL7 v2) or a ServiceRequest is of the operation where it
carries a code by which the plan's surgery is recognised, or names no service and is linked to such an order. Words do
not make it one: a class and a clinic visit speak of the operation too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import date

from waykeeper.fhir import carries
from waykeeper.gaps.model import Booked, Certainty, Fact, Match, Matches, TheatreCase, TheatreList
from waykeeper.gaps.plans import assign, names_other_side
from waykeeper.gaps.setting import Setting
from waykeeper.plan.model import Evidence
from waykeeper.record import coded_sides

ORDER_ASKS = frozenset({"draft", "active", "on-hold"})  # FHIR R4 request-status
_LIVE, _ASKED, _OFF, _UNSURE = "live", "asked", "off", "unsure"
Codes = frozenset[str]


@dataclass(frozen=True, slots=True)
class _Operation:
    """One source that speaks of an operation on a day."""

    case: TheatreCase
    codes: Codes
    says: str


def of_operations(plans: Sequence[Setting], found: Matches) -> frozenset[str]:
    """References of the matched sources that are of an operation of one of these plans, and of no visit."""
    codes = frozenset[str]().union(*(on.plan.operation_codes for on in plans))
    visits = {f"{c.system}|{c.code}" for on in plans for i in on.plan.items for c in i.recognise.service_type}
    return frozenset(m.fact.head.reference for m in found.rows if _is_one(m, codes, visits))


def _is_one(match: Match, codes: Codes, visits: set[str]) -> bool:
    head = match.fact.head
    return (
        match.item is None and match.note == "" and head.kind == "appointment"
        and carries(head.service_types, codes) and visits.isdisjoint(head.service_types)
    )  # fmt: skip


def without_visits(found: Matches, operations: frozenset[str]) -> Matches:
    """The matches with those of operations as guesses of no visit."""
    if not operations:
        return found
    return Matches(tuple(
        Match(m.fact, None, "none", note="operation") if m.fact.head.reference in operations else m for m in found.rows
    ))  # fmt: skip


def with_codes_of_orders(evidence: Iterable[Evidence]) -> list[Evidence]:
    """The evidence, an Appointment that names no service with the code of the order for an operation that it names."""
    sources = list(evidence)
    by_name = {name: e for e in sources if e.kind == "order" for name in (e.reference, *e.identifiers)}
    if not by_name:
        return sources
    found = []
    for one in sources:
        linked = next((by_name[name] for name in one.links if name in by_name), None)
        if linked is not None and one.kind == "appointment" and not one.service_types:
            one = replace(one, service_types=linked.service_types)  # noqa: PLW2901 - the same booking, known better
        found.append(one)
    return found


def told(
    plans: Sequence[Setting], found: Matches, evidence: Iterable[Evidence], listed: Sequence[TheatreCase]
) -> tuple[dict[int, Booked], list[TheatreCase]]:
    """What is told of each plan's operation, and the bookings of operations that no plan stands for.

    plans     of one patient
    found     every match, those of operations marked by `without_visits`
    listed    the patient's cases of a theatre list: what it shows is not told twice
    """
    as_of = plans[0].as_of if plans else date.min
    booked = _booked(found, as_of)
    operations = [*booked, *_ordered(evidence, as_of, _fulfilled(booked, found))]
    if not operations:
        return {}, []
    by_codes: defaultdict[Codes, list[int]] = defaultdict(list)
    for index, on in enumerate(plans):
        if on.plan.operation_codes:
            by_codes[on.plan.operation_codes].append(index)
    said: dict[int, Booked] = {}
    left: list[TheatreCase] = []
    for codes, indices in by_codes.items():
        mine = [o for o in operations if carries(o.codes, codes)]
        of_these, over = _of_one_operation([plans[i] for i in indices], mine, listed)
        said |= {indices[n]: one for n, one in of_these.items()}
        left += over
    return said, list(dict.fromkeys(left))


def _booked(found: Matches, as_of: date) -> list[_Operation]:
    """Appointments by what they say with their Encounters; what is over says nothing of a day to come."""
    marked = [m.fact for m in found.rows if m.note == "operation"]
    made = [(fact, _says(fact)) for fact in marked]
    return [
        _Operation(_case(f.head, f.day, "linked" if f.head.links else "recognised"), frozenset(f.head.service_types), w)
        for f, w in made if w and f.day is not None and f.day >= as_of
    ]  # fmt: skip


def _says(fact: Fact) -> str:
    if fact.says == "nothing" and fact.head.status == "entered-in-error":
        return _OFF  # as in a theatre list: that it is gone is what is to be seen
    return {"live": _LIVE, "asked": _ASKED, "fell": _OFF, "contradictory": _UNSURE}.get(fact.says, "")


def _fulfilled(booked: Iterable[_Operation], found: Matches) -> set[str]:
    """Names of the orders for which a booking stands: it says the day, whatever day was asked for."""
    live = {one.case.reference for one in booked if one.says == _LIVE}
    return {name for m in found.rows if m.fact.head.reference in live for name in m.fact.head.links}


def _ordered(evidence: Iterable[Evidence], as_of: date, fulfilled: Set[str]) -> list[_Operation]:
    left = [e for e in evidence if e.kind == "order" and fulfilled.isdisjoint((e.reference, *e.identifiers))]
    orders = [e for e in left if e.day is not None and e.day >= as_of]
    words = {**dict.fromkeys(ORDER_ASKS, _ASKED), "revoked": _OFF}
    return [
        _Operation(_case(e, e.day, "recognised"), frozenset(e.service_types), words[e.status])
        for e in orders if e.status in words and e.day is not None
    ]  # fmt: skip


def _case(one: Evidence, day: date | None, certainty: Certainty) -> TheatreCase:
    assert day is not None
    sides = sorted(coded_sides(code.rpartition("|")[2] for code in one.service_types))
    start = one.start.time().replace(tzinfo=None) if one.start and one.start.hour else None
    return TheatreCase(
        one.reference, one.patient, day, procedure=one.text, side=" and ".join(sides), origin=one.origin, start=start,
        hour=f"{start:%H:%M}" if start else "", status=one.status,
        kind="order" if one.kind == "order" else "appointment", certainty=certainty,
    )  # fmt: skip


def _of_one_operation(
    plans: Sequence[Setting], mine: Sequence[_Operation], listed: Sequence[TheatreCase]
) -> tuple[dict[int, Booked], list[TheatreCase]]:
    """The plans of one kind of operation, by their place here, and the live bookings that are none of theirs."""
    by_word: defaultdict[str, list[TheatreCase]] = defaultdict(list)
    for one in mine:
        by_word[one.says].append(one.case)
    given, over = _given(plans, by_word[_LIVE])
    without = [n for n in range(len(plans)) if n not in given]
    cases = given | _ordered_for(plans, without, by_word[_ASKED], {case.day for case in listed})
    standing = [*by_word[_LIVE], *by_word[_ASKED]]
    said = {n: _told(plans[n], cases.get(n), by_word, standing, plans) for n in range(len(plans))}
    shown = [(c, plans[n].plan.side) for n, c in cases.items()]
    left = [c for c in over if not any(_the_same(c, other, side) for other, side in shown)]
    return said, [c for c in left if not any(_the_same(c, other, "") for other in listed)]


def _given(plans: Sequence[Setting], cases: Sequence[TheatreCase]) -> tuple[dict[int, TheatreCase], list[TheatreCase]]:
    """As a theatre list gives its cases to the plans: the plan's own day first, then the nearest."""
    if not cases or not plans:
        return {}, list(cases)
    days = [case.day for case in cases]
    return assign(plans, TheatreList(tuple(cases), min(days), max(days)))


def _ordered_for(
    plans: Sequence[Setting], without: Sequence[int], asked: Sequence[TheatreCase], on_list: Set[date]
) -> dict[int, TheatreCase]:
    """The orders that speak of the plans without a booking: of one whose day is on the theatre list, those of that day.

    The list is as good as a booking: an order for another day is then asked about, and is not what the day is.
    """
    found: dict[int, TheatreCase] = {}
    for is_listed in (True, False):
        some = [n for n in without if (plans[n].surgery in on_list) == is_listed]
        left = [c for c in asked if c not in found.values() and (not is_listed or c.day in on_list)]
        found |= {some[n]: case for n, case in _given([plans[n] for n in some], left)[0].items()}
    return found


def _told(
    on: Setting,
    case: TheatreCase | None,
    by_word: Mapping[str, Sequence[TheatreCase]],
    standing: Sequence[TheatreCase],
    plans: Sequence[Setting],
) -> Booked:
    day = on.surgery
    if on.ended or (day is not None and day < on.as_of):
        return Booked(case)
    off = None
    if day is not None and not any(c.day == day and not names_other_side(on, c) for c in standing):
        off = next((c for c in by_word[_OFF] if c.day == day and not names_other_side(on, c)), None)
    days = {day, *(other.surgery for other in plans), case.day if case else None}
    asked = [c for c in by_word[_ASKED] if c is not case and c.day not in days and not names_other_side(on, c)]
    return Booked(case, off, (*asked, *by_word[_UNSURE]))


def _the_same(one: TheatreCase, other: TheatreCase, side: str) -> bool:
    """Whether two sources may mean one operation: the day is the same, and their sides do not differ."""
    sides = {text for text in (one.side, other.side or side) if text}
    return one.day == other.day and len(sides) < 2
