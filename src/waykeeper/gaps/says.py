"""What an Appointment or Encounter says on the as-of day, before it is laid beside a visit.

The two tables are the contract; the code only asks on which side of the as-of day the evidence lies.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

from waykeeper.gaps.model import Fact, Says
from waykeeper.plan.model import Evidence

T = TypeVar("T")
Sense = Literal["attended", "live", "asked", "no-show", "cancelled", "nothing", "unknown"]

APPOINTMENT: Mapping[str, Sense] = {
    "fulfilled": "attended",
    "booked": "live",
    "arrived": "live",
    "checked-in": "live",
    "proposed": "asked",
    "pending": "asked",
    "waitlist": "asked",
    "noshow": "no-show",
    "cancelled": "cancelled",
    "entered-in-error": "nothing",
}
ENCOUNTER: Mapping[str, Sense] = {"finished": "attended", "arrived": "live", "in-progress": "live"}
LIVE_BOOKINGS = frozenset(status for status, sense in APPOINTMENT.items() if sense == "live")
_A_YEAR = 366


def as_of_day(moment: date | datetime, zone: str) -> date:
    """The clinic's day of an as-of moment; an aware time is taken into the zone first, never cut in UTC."""
    if isinstance(moment, datetime):
        return moment.astimezone(ZoneInfo(zone)).date() if moment.tzinfo else moment.date()
    return moment


def content(part: Evidence) -> tuple[str, ...]:
    """What orders evidence: its content first, its server id only between two that are alike."""
    return (
        str(part.day or ""), str(part.start or ""), str(part.end or ""), part.kind, part.status, part.text,
        *part.service_types, *part.links, part.remarks, part.reference,
    )  # fmt: skip


def words(part: Evidence) -> str:
    """Everything that a scheduler wrote, by which a person recognises a booking."""
    return f"{part.text} | {part.remarks}" if part.text and part.remarks else part.text or part.remarks


def _dated(sense: Sense, part: Evidence, as_of: date) -> tuple[Says, str]:
    """An attendance or a live booking by its day: never attended in the future, never live without a day."""
    if part.day is None:
        return "contradictory", "without_day"
    if part.start and part.end and part.end < part.start:
        return "contradictory", "end_before_start"
    if sense == "attended":
        return ("attended", "") if part.day <= as_of else ("contradictory", "attended_in_future")
    if part.day < as_of:
        return "unconfirmed", ""
    if part.kind == "encounter" and part.day > as_of:
        return "contradictory", "started_in_future"
    return "live", ""


def says(part: Evidence, as_of: date) -> tuple[Says, str]:
    """What one source says alone, and for `contradictory` why. An unknown status is never read as harmless."""
    if part.kind == "encounter":
        sense = ENCOUNTER.get(part.status, "nothing")
    else:
        sense = APPOINTMENT.get(part.status, "unknown")
    if sense in ("attended", "live"):  # R4 app-4 lets only what was cancelled or not kept have such a reason
        return ("contradictory", "cancel_reason") if part.cancel_reason else _dated(sense, part, as_of)
    if sense == "unknown":
        return "contradictory", "unknown_status"
    if sense == "no-show":  # told of a day that has not come: as little a fact as an attendance would be
        return ("contradictory", "noshow_in_future") if part.day and part.day > as_of else ("fell", "")
    if sense == "cancelled":
        had_start = part.day is not None or part.start is not None
        return ("fell", "") if had_start and not part.cancelled_by_us else ("nothing", "")
    return ("asked", "") if sense == "asked" else ("nothing", "")


def _fact(parts: tuple[Evidence, ...], speaker: Evidence, word: Says, why: str = "") -> Fact:
    return Fact(parts, word, speaker.day, speaker.start, why)


_NO_VISIT = {"cancelled": "encounter_cancelled", "entered-in-error": "encounter_void"}


def together(appointment: Evidence, encounters: tuple[Evidence, ...], as_of: date, heard: Sequence[Evidence]) -> Fact:
    """An Appointment with its Encounters as one fact. A finished Encounter outranks the Appointment's status.

    heard   Encounters that name this Appointment too and stand with another: they speak here, and are placed there. One
            that finished on another day was the other's
    """
    parts = (appointment, *encounters)
    if heard:
        encounters += tuple(e for e in heard if e.status != "finished" or e.day == appointment.day)
    finished = encounters and [e for e in encounters if e.status == "finished"]
    if finished:
        best = min(finished, key=lambda e: (says(e, as_of)[0] != "attended", content(e)))
        return _fact(parts, best, *says(best, as_of))
    word, why = says(appointment, as_of)
    if not encounters:
        return _fact(parts, appointment, word, why)
    no_visit = [e.status for e in encounters if e.status in _NO_VISIT]
    if appointment.status == "fulfilled" and no_visit:
        return _fact(parts, appointment, "contradictory", _NO_VISIT[min(no_visit)])
    open_ones = [(e, *alone) for e in encounters if (alone := says(e, as_of))[0] != "nothing"]
    if not open_ones or word == "attended":
        wrong = next((o for o in open_ones if o[1] == "contradictory"), None)
        return _fact(parts, wrong[0], "contradictory", wrong[2]) if wrong else _fact(parts, appointment, word, why)
    if word == "contradictory":
        return _fact(parts, appointment, word, why)
    if word == "fell":
        return _fact(parts, appointment, "contradictory", "fell_and_arrived")
    rank = {"contradictory": 0, "unconfirmed": 1, "live": 2}
    speaker, word, why = min(open_ones, key=lambda o: (rank[o[1]], content(o[0])))
    return _fact(parts, speaker, word, why)


def facts(evidence: Iterable[Evidence], as_of: date) -> tuple[Fact, ...]:
    """All evidence as facts, each source in exactly one, ordered by content.

    An Encounter joins the first Appointment that it names which is there and is of the same patient: FHIR R4 lets it
    name several (Encounter.appointment, 0..*), by reference or by identifier alone (Reference.identifier).
    """
    sources = list(evidence)
    booked = _in_order([e for e in sources if e.kind == "appointment"], lambda part: part)
    appointments = {e.reference: e for e in reversed(booked)}
    of: defaultdict[str, list[Evidence]] = defaultdict(list)
    heard: defaultdict[str, list[Evidence]] = defaultdict(list)
    alone: list[Evidence] = []
    for part in _in_order([e for e in sources if e.kind == "encounter"], lambda part: part):
        owners = named_appointments(part, appointments)
        if owners:
            of[owners[0].reference].append(part)
            for owner in owners[1:]:
                heard[owner.reference].append(part)
        else:
            alone.append(part)
    made = [
        together(a, tuple(of.pop(a.reference, ())), as_of, heard.pop(a.reference, ()) if heard else ()) for a in booked
    ]
    if not alone:  # then they are in order as the Appointments are
        return tuple(made)
    made += [_fact((e,), e, *says(e, as_of)) for e in alone]
    return tuple(_in_order(made, lambda fact: fact.head))


def _in_order(values: Sequence[T], head: Callable[[T], Evidence]) -> list[T]:
    """By content. Its first part is the day; the rest, which is not cheap, is asked for only of what is of one day."""
    by_day: defaultdict[date, list[T]] = defaultdict(list)
    for value in values:
        by_day[head(value).day or date.min].append(value)
    found: list[T] = []
    for day in sorted(by_day):
        same = by_day[day]
        found += sorted(same, key=lambda value: content(head(value))) if len(same) > 1 else same
    return found


def named_appointments(encounter: Evidence, appointments: Mapping[str, Evidence]) -> tuple[Evidence, ...]:
    """The Appointments of the same patient that an Encounter names, each once, in the order in which it names them.

    appointments   by their references; those that have an identifier by which it names one are looked for among them,
                   one of its own day first
    """
    found: dict[str, Evidence] = {}
    for name in (encounter.appointment, *encounter.appointments):
        meant = [appointments[name]] if name in appointments else []
        if not meant and "|" in name:
            meant = [a for a in appointments.values() if name in a.identifiers]
            meant.sort(key=lambda a: a.day != encounter.day)
        for owner in meant:
            if same_patient(owner, encounter):
                found.setdefault(owner.reference, owner)
    return tuple(found.values())


def same_patient(one: Evidence, other: Evidence) -> bool:
    """True unless both name a patient and no name of one is a name of the other."""
    return not one.patient or not other.patient or bool(set(one.patient) & set(other.patient))


def wrong_year(fact: Fact, opens: date, closes: date) -> bool:
    """True if the day lies more than a year outside the window that its link names."""
    if fact.day is None:
        return False
    return (opens - fact.day).days > _A_YEAR or (fact.day - closes).days > _A_YEAR
