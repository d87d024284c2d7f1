"""Appointments and Encounters -> Evidence: what happened, whatever system says so; and orders for an operation."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import orjson

from waykeeper.fhir.identity import is_ours, own_identifier
from waykeeper.fhir.ownership import as_offered
from waykeeper.fhir.patients import Names, merged_with
from waykeeper.plan.model import Evidence, Plan, State
from waykeeper.record import identifier_names, names_of, system_of

Held = tuple[str, Mapping[str, Any]]
VIRTUAL = {"VR"}
STAFF = ("Practitioner", "PractitionerRole")
KINDS_OF_ACTORS = {*STAFF, "Patient", "RelatedPerson", "Device", "HealthcareService", "Location", "Group"}
CLINIC_REASONS = ("prov", "oth")


def evidence(
    resources: Sequence[Held],
    zone: str,
    origin: str = "",
    zones: Mapping[str, str] | None = None,
    operations: frozenset[str] = frozenset(),
) -> list[Evidence]:
    """One Evidence for each Appointment and Encounter, in the order given; nothing is dropped.

    Days are those of the clinic's zone: an evening visit keeps its own day. An Appointment of several patients, a
    class, is one Evidence for each of them. That it took place says of nobody in particular that she came, so it stays
    `booked` for each until an Encounter of hers or a person says more.

    zones        where clinics of several zones share a caseload: the zone of each patient, by every name of hers; for
                 who is not in it `zone` counts. See `evidence_of`
    operations   codes of operations that somebody plans: a ServiceRequest for one of these is an Evidence too
    """
    found: list[Evidence] = []
    known = _known_patients(resources, operations)
    for number, (reference, resource) in enumerate(resources, 1):
        read = _READERS.get(resource.get("resourceType", ""))
        if read is not None:
            name = reference or f"{resource.get('resourceType')}/#{number}"
            made = read(name, resource, zone, origin, known)
            if zones:
                own = [_zone_of(one, zones) or zone for one in made]
                again = {other: read(name, resource, other, origin, known) for other in {*own} - {zone}}
                made = [again.get(its, made)[n] for n, its in enumerate(own)]
            found += made
    return found


def evidence_of(resources: Sequence[Held], plans: Sequence[tuple[Plan, State]]) -> list[Evidence]:
    """`evidence`, each source with the days of the zone in which its patient's plan is; else in that of the first.

    With it the orders for what one of the plans plans.
    """
    codes = frozenset[str]().union(*(plan.operation_codes for plan, _ in plans))
    return evidence(resources, plans[0][0].zone if plans else "UTC", zones=zones_of(plans), operations=codes)


def zones_of(plans: Sequence[tuple[Plan, State]]) -> dict[str, str]:
    """The zone of each patient by identifier and reference; empty where all plans are in one. Of two plans the first's.

    A reference that several people have, on two servers, is in the zone of neither.
    """
    if len({plan.zone for plan, _ in plans}) < 2:
        return {}
    found: dict[str, str] = {}
    whose: dict[str, str] = {}
    for plan, _ in plans:
        who, reference = str(plan.patient.identifier), plan.patient.reference
        for name in (who, *plan.patient.merged):
            found.setdefault(name, plan.zone)
        if reference and whose.setdefault(reference, who) == who:
            found.setdefault(reference, plan.zone)
        else:
            found.pop(reference, None)
    return found


def _zone_of(one: Evidence, zones: Mapping[str, str]) -> str:
    """The zone of a source's patient, by an identifier where it names one."""
    names = sorted(one.patient, key=lambda name: "|" not in name)
    return next((zones[name] for name in names if name in zones), "")


class _Known(NamedTuple):
    """The Patients that are here: the identifiers of each by reference, since one person may stand on a server twice,
    and all names of all of them."""

    identifiers: Mapping[str, tuple[str, ...]]
    names: frozenset[str]
    told: dict[tuple[str, ...], tuple[str, ...]]  # names that a resource gives -> all names, each once worked out
    operations: frozenset[str] = frozenset()


def _known_patients(resources: Sequence[Held], operations: frozenset[str]) -> _Known:
    patients = [(ref, r) for ref, r in resources if r.get("resourceType") == "Patient" and ref]
    found = {ref: identifier_names(r) for ref, r in patients}
    if merged := {ref: links for ref, r in patients if "link" in r and (links := merged_with(r))}:
        found |= _with_merged(found, merged)
    return _Known(found, frozenset([*found, *(name for names in found.values() for name in names)]), {}, operations)


def _with_merged(
    found: Mapping[str, tuple[str, ...]], merged: Mapping[str, Sequence[str]]
) -> dict[str, tuple[str, ...]]:
    """Every name of those who were merged, by the reference of each: her own, then those of the others."""
    names = Names()
    by_number = {name for links in merged.values() for name in links if "|" in name}
    for ref, numbers in found.items():
        names.join([ref, *merged.get(ref, ()), *(n for n in numbers if n in by_number)])
    together: dict[str, list[str]] = {}
    for ref, numbers in found.items():
        together.setdefault(names.root(ref), []).extend((ref, *numbers))
    return {
        ref: tuple(dict.fromkeys([*numbers, *(n for n in together[names.root(ref)] if n != ref)]))
        for ref, numbers in found.items()
        if len(together[names.root(ref)]) > len(numbers) + 1
    }


def _patient(actors: Iterable[Mapping[str, Any]], known: _Known) -> tuple[str, ...]:
    """All names of the patients: as they are given, then what their Patient says."""
    names = names_of(actors)
    if names not in known.told:
        known.told[names] = _all_names(names, known)
    return known.told[names]


def _all_names(names: tuple[str, ...], known: _Known) -> tuple[str, ...]:
    more = [one for name in names for one in known.identifiers.get(name, ()) if one not in names]
    if more and any(_another(name, more) for name in names):  # the reference is one patient's, the number another's
        return tuple([name for name in names if name not in known.identifiers])
    return (*names, *more) if more else names


def _another(name: str, known: Sequence[str]) -> bool:
    """Whether an identifier has the system of one of these, but the value of none."""
    return "|" in name and system_of(name) in {system_of(one) for one in known}


_Participants = Mapping[str, Sequence[Mapping[str, Any]]]  # those who take part, by the type of each


def _appointments(reference: str, resource: Mapping[str, Any], zone: str, origin: str, known: _Known) -> list[Evidence]:
    participants: dict[str, list[Mapping[str, Any]]] = {}
    for participant in resource.get("participant") or ():
        participants.setdefault(_kind(participant.get("actor") or {}, known), []).append(participant)
    return _for_each(_appointment(reference, resource, zone, origin, participants, known), participants, known)


def _appointment(
    reference: str, resource: Mapping[str, Any], zone: str, origin: str, participants: _Participants, known: _Known
) -> Evidence:
    (start, day), (end, _) = _at(resource.get("start"), zone), _at(resource.get("end"), zone)
    actors = {kind: [p.get("actor") or {} for p in found] for kind, found in participants.items()}
    mine = bool(own_identifier(resource)) and is_ours(resource)
    told = _told(resource)
    return Evidence(
        reference=reference,
        kind="appointment",
        status=str(resource.get("status") or ""),
        patient=_patient(actors.get("Patient", ()), known),
        day=day,
        start=start,
        end=end,
        links=names_of(resource.get("basedOn") or (), resource.get("contained") or ()),
        identifiers=identifier_names(resource),
        service_types=told.service_types,
        specialties=told.specialties,
        text=told.text,
        practitioner=names_of([actor for kind in actors if kind in STAFF for actor in actors[kind]]),
        minutes=_minutes(resource.get("minutesDuration"), start, end),
        telehealth=told.telehealth,
        site=_site(actors.get("Location", ())),
        asked_on=_at(resource.get("created"), zone)[1],
        fell=_fell(resource),
        ours=mine,
        cancelled_by_us=mine and _by_us(resource),
        origin=origin,
        remarks=str(resource.get("comment") or ""),
        cancel_reason=bool(resource.get("cancelationReason")),
    )


_TO_COME = {"proposed", "pending", "waitlist", "booked"}
# States of a whole class that leave open who of those who were to come did.
_OF_SOME = {"arrived", "checked-in", "fulfilled", "noshow"}


def _for_each(one: Evidence, participants: _Participants, known: _Known) -> list[Evidence]:
    """One Evidence for each patient who takes part. Who declined has no booking, whatever state it is in."""
    patients = participants.get("Patient", ())
    if len(patients) < 2 and "Group" not in participants and not any(p.get("status") == "declined" for p in patients):
        return [one]
    taking_part = [(_patient([p["actor"]], known), p) for p in patients]
    several = len({names for names, _ in taking_part}) > 1 or "Group" in participants
    fallen = _TO_COME | _OF_SOME if several else _TO_COME
    found = {}
    for names, participant in taking_part:
        if participant.get("status") == "declined" and one.status in fallen:
            found[names] = replace(one, patient=names, status="cancelled", fell="patient")
        elif several:
            found[names] = replace(one, patient=names, status="booked" if one.status in _OF_SOME else one.status)
    return list(found.values()) or [one]


def _encounters(reference: str, resource: Mapping[str, Any], zone: str, origin: str, known: _Known) -> list[Evidence]:
    return [_encounter(reference, resource, zone, origin, known)]


def _encounter(reference: str, resource: Mapping[str, Any], zone: str, origin: str, known: _Known) -> Evidence:
    period = resource.get("period") or {}
    (start, day), (end, _) = _at(period.get("start"), zone), _at(period.get("end"), zone)
    contained = resource.get("contained") or ()
    booked = names_of(resource.get("appointment") or (), contained)
    told = _told(resource)
    return Evidence(
        reference=reference,
        kind="encounter",
        status=str(resource.get("status") or ""),
        patient=_patient([_dict(resource.get("subject"))], known),
        day=day,
        start=start,
        end=end,
        links=names_of(resource.get("basedOn") or (), contained),
        identifiers=identifier_names(resource),
        service_types=told.service_types,
        text=told.text,
        practitioner=names_of(p.get("individual") or {} for p in resource.get("participant") or ()),
        minutes=_minutes(None, start, end),
        telehealth=told.telehealth or str((resource.get("class") or {}).get("code") or "") in VIRTUAL,
        site=_site(place.get("location") or {} for place in resource.get("location") or ()),
        appointment=booked[0] if booked else "",
        origin=origin,
        appointments=booked[1:],
    )


def _orders(reference: str, resource: Mapping[str, Any], zone: str, origin: str, known: _Known) -> list[Evidence]:
    """An order for an operation that somebody plans; every other ServiceRequest is no evidence of anything here."""
    if not known.operations:
        return []
    code, sites = _dict(resource.get("code")), resource.get("bodySite") or []
    codes = _codes([code])
    if not carries(codes, known.operations) or resource.get("doNotPerform") is True:
        return []
    start, day = _when(resource, zone)
    return [Evidence(
        reference=reference, kind="order", status=str(resource.get("status") or ""),
        patient=_patient([_dict(resource.get("subject"))], known), day=day, start=start,
        identifiers=identifier_names(resource), service_types=codes,
        text=_text({"type": sites}, [code]), origin=origin,
    )]  # fmt: skip


def carries(codes: Iterable[str], wanted: frozenset[str]) -> bool:
    """Whether one of the codes ("system|code") is wanted; a pathway may name a code without its system."""
    return bool(wanted) and any(one in wanted or one.rpartition("|")[2] in wanted for one in codes)


def _when(order: Mapping[str, Any], zone: str) -> tuple[datetime | None, date | None]:
    """The one day for which something is ordered; none where a span of several days, or of no end, is given."""
    period, events = order.get("occurrencePeriod"), _dict(order.get("occurrenceTiming")).get("event") or []
    if period:
        first, last = (_at(period.get(name), zone) for name in ("start", "end"))
        return first if first[1] == last[1] else (None, None)
    return _at(order.get("occurrenceDateTime") or (events[0] if len(events) == 1 else None), zone)


_READERS = {"Appointment": _appointments, "Encounter": _encounters, "ServiceRequest": _orders}


class _Told(NamedTuple):
    """What a scheduler wrote of the service: codes as "system|code", every word, and whether it is at a distance."""

    service_types: tuple[str, ...] = ()
    specialties: tuple[str, ...] = ()
    text: str = ""
    telehealth: bool = False


_NOTHING_TOLD = _Told()
_TOLD_IN = (
    "type", "serviceType", "appointmentType", "specialty", "reasonCode", "description",
)  # fmt: skip


def _told(resource: Mapping[str, Any]) -> _Told:
    part = {name: resource[name] for name in _TOLD_IN if name in resource}
    return _told_by(orjson.dumps(part), resource["resourceType"]) if part else _NOTHING_TOLD


@lru_cache(maxsize=4096)  # a scheduler says the same of most visits of a kind
def _told_by(part: bytes, kind: str) -> _Told:
    resource = orjson.loads(part)
    service = resource.get("serviceType")
    services = service if isinstance(service, list) else [_dict(service)]
    more = [_dict(resource.get("appointmentType"))] if kind == "Appointment" else resource.get("type") or []
    specialties = _codes(resource.get("specialty") or []) if kind == "Appointment" else ()
    return _Told(_codes([*services, *more]), specialties, _text(resource, services), _telehealth([*services, *more]))


def _site(places: Iterable[Mapping[str, Any]]) -> str:
    return ", ".join([str(p.get("display") or p.get("reference") or "") for p in places])


def _dict(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _kind(actor: Mapping[str, Any], known: _Known) -> str:
    """The type of who takes part. `known` tells a patient where only her name is given."""
    if actor.get("type"):
        return str(actor["type"])
    text = str(actor.get("reference") or "").partition("/_history/")[0].split("?")[0]
    parts = text.split("/")
    kind = parts[-2] if len(parts) > 1 else parts[0]
    return "Patient" if kind not in KINDS_OF_ACTORS and known.names & {*names_of([actor])} else kind


def _codes(concepts: Iterable[Mapping[str, Any]]) -> tuple[str, ...]:
    codings = [c for concept in concepts for c in concept.get("coding") or []]
    return tuple(f"{c.get('system') or ''}|{c['code']}" for c in codings if c.get("code"))


def _text(resource: Mapping[str, Any], services: Iterable[Mapping[str, Any]]) -> str:
    """Every word that says what the service is, for recognising a visit.

    Not Appointment.comment, which R4 has "to aid in facilitating the appointment", nor patientInstruction, "patient
    facing information": both speak of other visits too ("come before your 6 week check").
    """
    concepts = [*(resource.get("type") or []), *(resource.get("reasonCode") or []), *services]
    said = [resource.get("description")]
    for concept in concepts:
        said += [concept.get("text"), *(c.get("display") for c in concept.get("coding") or [])]
    return " | ".join(str(s) for s in said if s)


def _at(text: Any, zone: str) -> tuple[datetime | None, date | None]:
    """The instant in the zone, where the text has an offset, and the local day; a date without time is its own day."""
    return _read(str(text), zone) if text else (None, None)


@lru_cache(maxsize=16384)  # appointments of one day and hour
def _read(text: str, zone: str) -> tuple[datetime | None, date | None]:
    try:
        parsed = datetime.fromisoformat(text)
    except ValueError:
        parsed = None
    if parsed is not None and parsed.tzinfo:
        local = parsed.astimezone(ZoneInfo(zone))
        return local, local.date()
    try:
        return None, date.fromisoformat(text[:10])
    except ValueError:
        return None, None


def _minutes(said: Any, start: datetime | None, end: datetime | None) -> int | None:
    if said is not None:
        return int(said)
    return int((end - start).total_seconds() // 60) if start and end else None


_AT_A_DISTANCE = re.compile(
    r"\bt[eé]l[eé]-?(?:health|medicin|phone|visit|salud|consult|f[oó]n|rehab)|\bv[ií]deo|\bphone|\bcalls?\b"
    r"|\bllama(?:da|r\b)|\bvirtual|\bremot[aeo]|\bonline\b|\ben l[ií]nea\b|\ba distancia\b|\bno presencial"
    r"|\bzoom\b|\bwebex\b|\bwhatsapp\b|\b(?:ms|microsoft) teams\b|\btel\.|\be-?visit",
    re.IGNORECASE,
)
# What is said of the booking itself, or denied: `confirmed by phone`, `in person, not virtual`.
_NOT_OF_THE_VISIT = re.compile(
    r"\b(?:confirm\w*|book\w*|reserv\w*|agend\w*|remind\w*) (?:(?:by|via|over|por) )?(?:the )?"
    r"(?:phone|telephone|tel[eé]fono|call|llamada|video)"
    r"|\b(?:not|no|sin) (?:a |una )?(?:virtual|remot[aeo]|online|v[ií]deo|phone|call|telephone|llamada)",
    re.IGNORECASE,
)


def _telehealth(concepts: Iterable[Mapping[str, Any]]) -> bool:
    """Whether the kind of service is one at a distance, by its words or by the displays of its codes."""
    said = [word for t in concepts for word in (t.get("text"), *(c.get("display") for c in t.get("coding") or []))]
    return any(at_a_distance(str(word)) for word in said if word)


def at_a_distance(service: str) -> bool:
    """Whether what a service is called says that it is held by telephone or video."""
    return bool(_AT_A_DISTANCE.search(_NOT_OF_THE_VISIT.sub(" ", service)))


def _fell(resource: Mapping[str, Any]) -> str:
    """Who cancelled, by the standard reason codes: pat-* the patient, prov-* and oth-* the clinic."""
    reason = _dict(resource.get("cancelationReason"))
    if not reason:
        return ""
    codes = [str(c.get("code") or "") for c in reason.get("coding") or []]
    if any(c == "pat" or c.startswith("pat-") for c in codes):
        return "patient"
    return "clinic" if any(c.split("-")[0] in CLINIC_REASONS for c in codes) else ""


def _by_us(resource: Mapping[str, Any]) -> bool:
    return resource.get("status") == "cancelled" and as_offered(resource, "status")
