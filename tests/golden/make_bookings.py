"""Write `sandbox_bundles/NAME/bookings.bundle.json`: what the invented clinic booked and what really happened.

The lines stand in `bookings.yaml`. A line with `visit` is linked: its Appointment is `basedOn` the planned visit's
ServiceRequest, named by our computed identifier (no server id, so that the bundle stands alone). A line without
`visit` was made by somebody who knew nothing of the plan. Like the records each bundle is a transaction that any
FHIR R4 server takes as it is.

Run it from the repository: `python tests/golden/make_bookings.py`. With `--check` it writes nothing and exits 1 if a
bundle on disk differs.
"""

from __future__ import annotations

import json
import sys
import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import yaml

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from make_records import BUNDLES, MRN, NAMESPACE, TERMS, Plain, Resource, Row, entry, narrative, patient  # noqa: E402

from waykeeper.fhir.names import IDENTIFIER_PATH  # noqa: E402
from waykeeper.plan.model import Episode, Identifier  # noqa: E402

CLINIC = "https://alder-quay.example"
BOOKINGS = f"{CLINIC}/bookings"
VISIT_TYPES = f"{CLINIC}/codes/visit-type"
SPECIALTIES = f"{CLINIC}/codes/specialty"
ICD10PCS = "http://www.cms.gov/Medicare/Coding/ICD10"
ZONE = ZoneInfo("America/Chicago")


def instant(text: str) -> datetime:
    """A wall time of the clinic, with its offset."""
    return datetime.fromisoformat(text).replace(tzinfo=ZONE)


@cache
def pathways() -> dict[str, str]:
    """The pathway of each invented patient, by the patient's number."""
    cases = yaml.load((BUNDLES / "cases.yaml").read_text("utf-8"), Loader=yaml.BaseLoader)
    return {case["patient"].partition("|")[2]: case["pathway"] for case in cases.values()}


def planned(mrn: str, visit: str) -> Resource:
    """A reference to the planned visit by the identifier that the plan gives it."""
    episode = Episode(CLINIC, f"{CLINIC}/pathways/{pathways()[mrn]}", Identifier(MRN, mrn))
    value = episode.uuid("visit", visit, "request")
    return {"type": "ServiceRequest", "identifier": {"system": CLINIC + IDENTIFIER_PATH, "value": value}}


def concept(system: str, code: str) -> list[Resource]:
    """A list of one coded concept."""
    return [{"coding": [{"system": system, "code": code}]}]


def appointment(row: Row, mrn: str, who: Resource) -> Resource:
    """A booking as the scheduling desk wrote it."""
    status = row["status"]
    shown = {"fulfilled": "accepted", "booked": "accepted", "noshow": "accepted", "arrived": "accepted"}
    made: Resource = {"resourceType": "Appointment", "status": status}
    if "type" in row:
        made["serviceType"] = concept(VISIT_TYPES, row["type"])
    if "specialty" in row:
        made["specialty"] = concept(SPECIALTIES, row["specialty"])
    made["description"] = row["words"]
    if "start" in row:
        start, minutes = instant(row["start"]), row.get("minutes", 30)
        made |= {
            "start": start.isoformat(),
            "end": (start + timedelta(minutes=minutes)).isoformat(),
            "minutesDuration": minutes,
        }
    if "comment" in row:
        made["comment"] = row["comment"]
    if "cancelled" in row:
        reason = {"system": f"{TERMS}appointment-cancellation-reason", "code": row["cancelled"]}
        made["cancelationReason"] = {"coding": [reason]}
    if "visit" in row:
        made["basedOn"] = [planned(mrn, row["visit"])]
    answer = shown.get(status, "declined" if status == "cancelled" else "needs-action")
    made["participant"] = [{"actor": who, "status": answer}]
    return made


def encounter(row: Row, mrn: str, who: Resource) -> Resource:
    """A contact that took place: a visit (AMB) or the stay in hospital (IMP)."""
    kind = row["encounter"]
    made: Resource = {"resourceType": "Encounter", "status": row["status"]}
    made["class"] = {"system": f"{TERMS}v3-ActCode", "code": kind}
    if "type" in row:
        made["serviceType"] = concept(VISIT_TYPES, row["type"])[0]
    made["subject"] = who
    if "visit" in row:
        made["basedOn"] = [planned(mrn, row["visit"])]
    made["period"] = {k: instant(row[k]).isoformat() for k in ("start", "end") if k in row}
    return made


def procedure(row: Row, _mrn: str, who: Resource) -> Resource:
    """The operation, as the theatre coded it."""
    return {
        "resourceType": "Procedure",
        "status": "completed",
        "code": {"coding": [{"system": ICD10PCS, "code": row["procedure"]}], "text": row["words"]},
        "subject": who,
        "performedDateTime": instant(row["start"]).isoformat(),
    }


def resource(row: Row, mrn: str, who: Resource) -> Resource:
    """The resource of a line, by the key that tells what it is."""
    make = procedure if "procedure" in row else encounter if "encounter" in row else appointment
    return make(row, mrn, who)


def entries(name: str, person: Row, rows: list[Row]) -> Iterator[Resource]:
    """The Patient (created only where it is missing), then each line in the order of the file."""
    about = person["patient"]
    owner = f"urn:uuid:{uuid.uuid5(NAMESPACE, name)}"
    who = {"reference": owner, "type": "Patient", "identifier": {"system": MRN, "value": about["mrn"]}}
    yield entry(narrative(patient(about), f"{about['given']} {about['family']}, an invented person"), owner)
    for number, row in enumerate(rows, 1):
        made = resource(row, about["mrn"], who)
        made["identifier"] = [{"system": BOOKINGS, "value": f"{about['mrn']}-{number}"}]
        full_url = f"urn:uuid:{uuid.uuid5(NAMESPACE, f'{name}/bookings/{number}')}"
        yield entry(narrative(made, row["words"]), full_url)


def main(arguments: list[str]) -> int:
    """Write the bundles; with `--check` only compare. Returns the exit code."""
    people = yaml.load((HERE / "patients.yaml").read_text("utf-8"), Loader=Plain)
    booked = yaml.load((HERE / "bookings.yaml").read_text("utf-8"), Loader=Plain)
    stale = []
    for name, person in people.items():
        made = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries(name, person, booked[name]))}
        path, text = BUNDLES / name / "bookings.bundle.json", json.dumps(made, indent=2, ensure_ascii=False) + "\n"
        if path.exists() and path.read_text("utf-8") == text:
            continue
        stale.append(name)
        if "--check" not in arguments:
            path.write_text(text, "utf-8")
    sys.stderr.write(f"differs: {', '.join(stale)}\n" if stale else "nothing differs\n")
    return 1 if stale and "--check" in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
