"""The sheet of a file, of a patient who is named by another of her numbers than the one the plan was made for."""

import json
from pathlib import Path

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.verbs.printing import sheet

PLAN = Path(__file__).parents[2] / "sandbox_bundles" / "demo-left" / "plan.bundle.json"
MRN = "https://alder-quay.example/mrn"


@pytest.mark.parametrize("numbers", [("AQ-1001", "AQ-2002"), ("AQ-2002",)], ids=["second", "replaced"])
def test_each_number_of_the_patient_finds_her_plan_and_no_other_does(tmp_path, numbers):
    # Patient.identifier is 0..*, and one may take another's place: https://hl7.org/fhir/R4/patient.html
    bundle = json.loads(PLAN.read_text("utf-8"))
    (patient,) = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient"]
    patient["identifier"] = [{"system": MRN, "value": number} for number in numbers]
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(bundle), "utf-8")
    pages = [sheet(str(path), patient=f"{MRN}|{number}", as_of="2026-03-10") for number in ("AQ-1001", "AQ-2002")]
    assert all("Maren Wintergale" in page for page in pages)
    with pytest.raises(WaykeeperError, match="WKC210"):
        sheet(str(path), patient=f"{MRN}|AQ-9999", as_of="2026-03-10")
