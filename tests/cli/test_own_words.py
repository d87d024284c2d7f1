"""A clinic's own word for a medicine, from its file to the page and the plan; a wrong one is refused with its line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import waykeeper
from waykeeper.fhir import read, write
from waykeeper.findings import WaykeeperError
from waykeeper.pathway import library
from waykeeper.record import resources_of

SURGERY = "2026-03-18T07:30"
WORD = "Blud thinner blue 5 mg"


def clinic(folder: Path, generic: str) -> str:
    text = library.read("clinic-demo")[1].decode()
    file = folder / "clinic.yaml"
    file.write_text(text.replace("policies:\n", f"medicine_words:\n  blud thinner blue: {generic}\npolicies:\n"))
    return str(file)


def record(folder: Path) -> str:
    """The demo's record, its blood thinner written as only this clinic writes it."""
    found = next(
        data for patient, name, data in library.bundles() if (patient, name) == ("demo-left", "record.bundle.json")
    )
    bundle = json.loads(found)
    orders = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "MedicationRequest"]
    order = next(o for o in orders if "apixaban" in json.dumps(o))
    order["medicationCodeableConcept"] = {"text": WORD}
    file = folder / "record.json"
    file.write_text(json.dumps(bundle))
    return str(file)


def test_an_own_word_classifies_on_the_page_and_in_the_plan(tmp_path: Path) -> None:
    patient, ours = record(tmp_path), clinic(tmp_path, "apixaban")
    assert waykeeper.check(ours) == ()
    for file, known in ((ours, ("apixaban",)), ("clinic-demo", ())):
        page = waykeeper.medicines(patient=patient, clinic=file, surgery=SURGERY, as_of="2026-02-20")
        assert [row.ingredients for row in page.rows if row.words == WORD] == [known]
    made = waykeeper.compile("total-ankle-replacement", clinic=ours, patient=patient, surgery=SURGERY, side="left")
    holds = [item.hold for item in made.plan.live.items if item.hold and item.hold.words == WORD]
    assert [(h.recognised, h.ingredients) for h in holds] == [(True, ("apixaban",))]
    again, _ = read([pair for resource in write(made.plan) for pair in resources_of(resource)])
    assert [item.hold for item in again.items if item.hold and item.hold.words == WORD] == holds


def test_an_own_word_for_nothing_that_is_known_is_refused_with_its_line(tmp_path: Path) -> None:
    ours = clinic(tmp_path, "apixabann")
    (found,) = waykeeper.check(ours)
    assert (found.code, found.position.line) == (
        "WKM111",
        Path(ours).read_text().split("\n").index("  blud thinner blue: apixabann") + 1,
    )
    with pytest.raises(WaykeeperError, match="apixabann"):
        waykeeper.medicines(patient=record(tmp_path), clinic=ours, surgery=SURGERY)
