"""Write a bulk export of invented patients: CarePlan, ServiceRequest, Appointment, Encounter and Patient as NDJSON,
each file in an order of its own, none by patient."""

from __future__ import annotations

import random
import sys
from datetime import timedelta
from pathlib import Path

import orjson

sys.path.insert(0, str(Path(__file__).parents[1]))

from dataclasses import replace

from gaps.plans import SURGERY, plan, visit
from waykeeper.fhir import write as as_resources
from waykeeper.plan.model import Key

VISITS = ("two-week", "six-week", "three-month", "six-month", "twelve-month")


def ten_visits(number: int):
    """A plan of ten visits: the five of the worked case, and a second of each kind a week later."""
    base = [visit(name) for name in VISITS]
    again = [replace(one, key=Key("visit", f"{one.key.item}-films"), title=f"{one.title}, films") for one in base]
    return plan(*base, *again, patient=f"{number:06}", name=f"Invented {number:06}")


def write(folder: Path, patients: int, seed: int = 7) -> int:
    """The files; returns their bytes."""
    chance = random.Random(seed)
    lines: dict[str, list[bytes]] = {}
    for number in range(patients):
        made = ten_visits(number)
        lines.setdefault("Patient", []).append(orjson.dumps(_patient(made)))
        for resource in as_resources(made):
            lines.setdefault(resource["resourceType"], []).append(orjson.dumps(resource))
            if resource["resourceType"] == "ServiceRequest":
                for booked in _bookings(chance, resource, number):
                    lines.setdefault(booked["resourceType"], []).append(orjson.dumps(booked))
    for kind, found in lines.items():
        chance.shuffle(found)
        (folder / f"{kind}.ndjson").write_bytes(b"\n".join(found) + b"\n")
    return sum(len(line) + 1 for found in lines.values() for line in found)


def _patient(made):
    who = made.patient
    identifier = {"system": who.identifier.system, "value": who.identifier.value}
    known = who.reference.partition("/")[2]
    return {"resourceType": "Patient", "id": known, "identifier": [identifier], "name": [{"text": who.name}]}


def _bookings(chance: random.Random, request, number: int):
    """An Appointment linked to the request, and mostly an Encounter of it."""
    start = request.get("occurrencePeriod", {}).get("start", SURGERY.isoformat())[:10]
    day = (SURGERY.fromisoformat(start) + timedelta(days=chance.randint(0, 3))).isoformat()
    name = f"{number}-{request['id'][:8]}"
    status = chance.choice(["fulfilled", "fulfilled", "booked", "noshow", "cancelled"])
    yield {
        "resourceType": "Appointment", "id": f"a{name}", "status": status, "start": f"{day}T10:00:00-05:00",
        "end": f"{day}T10:20:00-05:00", "basedOn": [{"reference": f"ServiceRequest/{request['id']}"}],
        "participant": [{"actor": {"reference": request["subject"]["reference"]}, "status": "accepted"}],
    }  # fmt: skip
    if status == "fulfilled":
        yield {
            "resourceType": "Encounter", "id": f"e{name}", "status": "finished", "class": {"code": "AMB"},
            "subject": {"reference": request["subject"]["reference"]}, "period": {"start": f"{day}T10:00:00-05:00"},
            "appointment": [{"reference": f"Appointment/a{name}"}],
        }  # fmt: skip
