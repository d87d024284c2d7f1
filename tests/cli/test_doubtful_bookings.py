"""What is wrong with a booking itself is told beside the list, a few of each kind, and the list is no less whole."""

from __future__ import annotations

import json
from pathlib import Path

import waykeeper
from waykeeper.pathway import library

MRN = "https://alder-quay.example/mrn"


def gaps_beside(folder: Path, *extra: dict[str, object]) -> waykeeper.GapReport:
    """The report of an invented patient, with further bookings in the file of the clinic's own."""
    files = {name: data for patient, name, data in library.bundles() if patient == "demo-left"}
    bookings = json.loads(files["bookings.bundle.json"])
    bookings["entry"] += [{"resource": resource} for resource in extra]
    (folder / "bookings.json").write_text(json.dumps(bookings))
    (folder / "plan.json").write_bytes(files["plan.bundle.json"])
    return waykeeper.gaps(str(folder / "plan.json"), str(folder / "bookings.json"), as_of="2026-06-26")


def appointment(name: str, number: str, status: str = "booked") -> dict[str, object]:
    actor = {"type": "Patient", "identifier": {"system": MRN, "value": number}}
    return {
        "resourceType": "Appointment", "id": name, "status": status, "start": "2026-05-04T10:00:00-05:00",
        "end": "2026-05-04T10:20:00-05:00", "participant": [{"actor": actor, "status": "accepted"}],
    }  # fmt: skip


def encounter(name: str, number: str, of: str) -> dict[str, object]:
    return {
        "resourceType": "Encounter", "id": name, "status": "finished", "class": {"code": "AMB"},
        "subject": {"identifier": {"system": MRN, "value": number}},
        "period": {"start": "2026-05-04T10:00:00-05:00"}, "appointment": [{"reference": f"Appointment/{of}"}],
    }  # fmt: skip


def test_bookings_as_they_are_say_nothing(tmp_path: Path) -> None:
    assert [f.code for f in gaps_beside(tmp_path).findings if f.code.startswith("WKG")] == []


def test_an_encounter_of_another_patients_appointment_is_told(tmp_path: Path) -> None:
    said = gaps_beside(tmp_path, appointment("x", "AQ-9999"), encounter("y", "AQ-1001", "x"))
    (found,) = (f for f in said.findings if f.code.startswith("WKG"))
    assert (found.code, found.severity) == ("WKG105", "warning")
    assert "Encounter/y" in found.details and "Appointment/x" in found.details
    assert said.worklist.lacking == ()


def test_of_many_of_one_kind_the_rest_is_counted(tmp_path: Path) -> None:
    odd = [appointment(f"odd-{n}", "AQ-1001", "banana") for n in range(9)]
    said = gaps_beside(tmp_path, *odd)
    found = [f for f in said.findings if f.code == "WKG102"]
    assert len(found) == 5
    assert found[-1].details.endswith("'banana', and so are 4 more")
    assert sum(p.status == "banana" for p in said.worklist.appointments) == 9
