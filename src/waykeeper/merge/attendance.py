"""Which visits were attended, and which the scheduler took up itself: by linked evidence, never by a guess."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from waykeeper.fhir import evidence
from waykeeper.merge.held import Holding
from waykeeper.plan.model import Evidence, Key
from waykeeper.record import in_zone

LIVE = ("pending", "waitlist", "booked", "arrived", "checked-in")


@dataclass(frozen=True, slots=True)
class Attendance:
    """Visits with attended evidence, and visits that have a live or attended Appointment of somebody else."""

    attended: frozenset[Key]
    taken_up: frozenset[Key]


def attendance(held: Holding, zone: str, today: date | None = None) -> Attendance:
    """Read the evidence linked to our requests and proposals.

    Linked = basedOn the request (by reference or by an identifier on it), our own proposal turned into the booking, or
    an Encounter of such an Appointment. Not attended: dated after `today`, fulfilled with a reason why it was cancelled
    or against an Encounter that was cancelled or entered in error, or by telephone or video where that does not do.
    """
    facts = evidence(held.everything, zone)
    by_name, mine = _names(held)
    appointments = {e.reference: key for e in facts if e.kind == "appointment" and (key := _visit(e, by_name))}
    distant = {i.key for i in held.plan.items if i.recognise.telehealth} if held.plan else set()
    named = [(e, name) for e in facts if e.kind == "encounter" for name in (e.appointment, *e.appointments)]
    contradicted = {name for e, name in named if e.status in ("cancelled", "entered-in-error")}
    calls = [(e, name) for e, name in named if e.telehealth and e.status == "finished"]
    contradicted |= {name for _, name in calls if appointments.get(name) not in distant}
    attended, taken_up = set(), set()
    for one in facts:
        key = appointments.get(one.reference) or _visit(one, by_name) or appointments.get(one.appointment)
        if key is None:
            continue
        there = not one.telehealth or key in distant
        came = there and _came(one, today) and contradicted.isdisjoint((one.reference, *one.identifiers))
        if came:
            attended.add(key)
        if one.kind == "appointment" and one.reference not in mine and (came or one.status in LIVE):
            taken_up.add(key)
    return Attendance(frozenset(attended), frozenset(taken_up))


def _names(held: Holding) -> tuple[dict[str, Key], set[str]]:
    """Every name under which a visit may be linked: its request, the identifiers on it, its own proposals."""
    names: dict[str, Key] = {}
    mine = set()
    for (key, part, _), (ref, resource) in held.own.items():
        if key.kind != "visit":
            continue
        names[ref] = key
        if part == "appointment":
            mine.add(ref)
        for entry in resource.get("identifier") or [] if part == "request" else []:
            if entry.get("value"):
                names[f"{entry.get('system') or ''}|{entry['value']}"] = key
    return names, mine


def _visit(one: Evidence, by_name: dict[str, Key]) -> Key | None:
    return next((by_name[name] for name in (one.reference, *one.links) if name in by_name), None)


def _came(one: Evidence, today: date | None) -> bool:
    over = one.day is None or today is None or one.day <= today
    return over and not one.cancel_reason and one.status == ("fulfilled" if one.kind == "appointment" else "finished")


def booked_on(appointment: Mapping[str, Any], zone: str) -> str:
    """The clinic's day of a booking, "" where it names none: many servers write the instant in UTC."""
    return str(in_zone(appointment, zone).get("start") or "")[:10]
