"""Write a bulk export of invented patients: CarePlan, ServiceRequest, Appointment, Encounter and Patient as NDJSON,
each file in an order of its own, none by patient. Ten requests and ten bookings a patient, four or so attended."""

from __future__ import annotations

import random
import re
import sys
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path

import orjson

sys.path.insert(0, str(Path(__file__).parents[1]))

from dataclasses import replace

from gaps.plans import SURGERY, plan, visit
from waykeeper.fhir import write as as_resources
from waykeeper.fhir.identity import identity
from waykeeper.pathway.model import Settings
from waykeeper.plan.model import Key

VISITS = ("two-week", "six-week", "three-month", "six-month", "twelve-month")


TEMPLATES = 200  # patients that are written by the product; the others are these with names and ids of their own
DAYS = 250  # of surgery, one after the other, so that few patients share one: hardly any two plans have the same dates


def ten_visits(number: int):
    """A plan of ten visits: the five of the worked case around a surgery of its own day, and films with each."""
    surgery = SURGERY + timedelta(days=number % TEMPLATES * DAYS // TEMPLATES - DAYS // 2)
    base = [visit(name, surgery) for name in VISITS]
    again = [replace(one, key=Key("visit", f"{one.key.item}-films"), title=f"{one.title}, films") for one in base]
    settings = Settings(proposed_appointments=False)  # a clinic whose scheduler books on the requests
    return plan(*base, *again, surgery=surgery, patient=f"{number:06}", name=f"Invented {number:06}", settings=settings)


_UUID = rb"[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}"


def write(folder: Path, patients: int, seed: int = 7) -> int:
    """The files; returns their bytes."""
    chance = random.Random(seed)
    made = [_template(chance, number) for number in range(min(patients, TEMPLATES))]
    kinds = sorted({kind for found, _ in made for kind, _ in found})
    size = 0
    for kind in kinds:  # one file after another, so that one is held at a time
        lines = [
            line
            for number in range(patients)
            for found in [made[number % len(made)]]
            for line in _renamed(b"\n".join(text for k, text in found[0] if k == kind), found[1], number)
        ]
        chance.shuffle(lines)
        (folder / f"{kind}.ndjson").write_bytes(b"\n".join(lines) + b"\n")
        size += sum(map(len, lines)) + len(lines)
    return size


def _template(chance: random.Random, number: int):
    """(kind, line) of one patient, and the patient's number."""
    made = ten_visits(number)
    lines = [("Patient", _patient(made)), *((r["resourceType"], r) for r in as_resources(made))]
    requests = [resource for kind, resource in lines if kind == "ServiceRequest"]
    lines += [(b["resourceType"], b) for request in requests for b in _bookings(chance, request, number)]
    return [(kind, orjson.dumps(resource)) for kind, resource in lines], number


def _renamed(text: bytes, template: int, number: int) -> list[bytes]:
    """The lines of a template as those of another patient: number and computed ids are that patient's."""
    if template == number or not text:
        return text.splitlines()
    own = re.compile(rb"(?<![0-9a-f])%06d(?![0-9a-f])|%b" % (template, _UUID))
    ids, name = _ids(template, number), b"%06d" % number
    return own.sub(lambda found: ids.get(found[0], name), text).splitlines()


@lru_cache(maxsize=2)
def _ids(template: int, number: int) -> dict[bytes, bytes]:
    """The computed id of every part of a plan -> that of the same part of another patient's."""
    old, new = ten_visits_episode(template), ten_visits_episode(number)
    return {old.uuid(*part).encode(): new.uuid(*part).encode() for part in _parts()}


@lru_cache(maxsize=1)
def _parts() -> tuple[tuple[str, ...], ...]:
    """Every part of the plan: kind, item, part, occurrence."""
    known = (identity(resource) for resource in as_resources(ten_visits(0)))
    return tuple((k.key.kind, k.key.item, k.part, k.key.occurrence) for k in known if k is not None)


def ten_visits_episode(number: int):
    """The episode of `ten_visits`; the day of surgery is no part of it."""
    return replace(_first().episode, patient=replace(_first().episode.patient, value=f"{number:06}"))


@lru_cache(maxsize=1)
def _first():
    return ten_visits(0)


def _patient(made):
    who = made.patient
    identifier = {"system": who.identifier.system, "value": who.identifier.value}
    known = who.reference.partition("/")[2]
    return {"resourceType": "Patient", "id": known, "identifier": [identifier], "name": [{"text": who.name}]}


def _bookings(chance: random.Random, request, number: int):
    """An Appointment linked to the request, and mostly an Encounter of it."""
    start = request.get("occurrencePeriod", {}).get("start", SURGERY.isoformat())[:10]
    day = (date.fromisoformat(start) + timedelta(days=chance.randint(0, 12))).isoformat()
    name = f"{number:06}-{request['id'][:8]}"
    status = chance.choice(["fulfilled", "fulfilled", "booked", "noshow", "cancelled"])
    yield {
        "resourceType": "Appointment", "id": f"a-{name}", "status": status, "start": f"{day}T10:00:00-05:00",
        "end": f"{day}T10:20:00-05:00", "basedOn": [{"reference": f"ServiceRequest/{request['id']}"}],
        "participant": [{"actor": {"reference": request["subject"]["reference"]}, "status": "accepted"}],
    }  # fmt: skip
    if status == "fulfilled":
        yield {
            "resourceType": "Encounter", "id": f"e-{name}", "status": "finished", "class": {"code": "AMB"},
            "subject": {"reference": request["subject"]["reference"]}, "period": {"start": f"{day}T10:00:00-05:00"},
            "appointment": [{"reference": f"Appointment/a-{name}"}],
        }  # fmt: skip
