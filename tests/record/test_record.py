"""A record in: one row for each medicine, the latest usable kidney values, proof of anchors. Invented people only."""

from datetime import date
from decimal import Decimal

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.pathway.model import AnchorRule
from waykeeper.record import identifiers, read, recorded, resources_of
from waykeeper.timing.model import Moment

PATIENT = {"resourceType": "Patient", "id": "p", "gender": "female", "birthDate": "1950-05-01"}
ZONE = "America/Chicago"


def row(number, **more):
    """An order of the patient's list."""
    return {"resourceType": "MedicationRequest", "medicationCodeableConcept": {"text": f"medicine {number}"}, **more}


def sixty():
    """Sixty rows: ids, business identifiers, neither, and duplicates of each sort."""
    rows = [(f"MedicationRequest/{n}", row(n, id=str(n))) for n in range(20)]
    rows += [("", row(n, identifier=[{"system": "urn:orders", "value": str(n % 5)}])) for n in range(20)]
    rows += [("", row(n % 3)) for n in range(20)]
    return rows


def test_sixty_rows_in_are_sixty_out_each_with_its_own_key():
    found = read([("Patient/p", PATIENT), *sixty()]).medicines
    assert len(found) == 60
    assert len({entry.key for entry in found}) == 60
    assert [e.words for e in found] == [r["medicationCodeableConcept"]["text"] for _, r in sixty()]


def test_the_key_of_a_row_is_its_identifier_else_its_reference_else_its_content():
    found = [e.key for e in read([("Patient/p", PATIENT), *sixty()]).medicines]
    assert found[3] == "MedicationRequest/3"
    assert found[21] == "urn:orders|1"
    assert found[26] == "urn:orders|1#2", "a duplicate gets an ordinal"
    assert found[40].startswith("row-")
    assert found[43] == f"{found[40]}#2"


def test_a_row_without_a_medicine_still_comes_out():
    found = read([("Patient/p", PATIENT), ("", {"resourceType": "MedicationStatement"})]).medicines
    assert [e.words for e in found] == ["MedicationStatement, name missing"]


def observation(code, value, unit, day, status="final"):
    """A value with LOINC code and UCUM unit."""
    return {
        "resourceType": "Observation",
        "status": status,
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "valueQuantity": {"value": value, "unit": unit, "code": unit},
        "effectiveDateTime": day,
    }


def kidney(*observations):
    """What is read of the kidney."""
    return read([("Patient/p", PATIENT), *(("", o) for o in observations)]).kidney


def test_the_latest_usable_creatinine_counts():
    """LOINC 2160-0 creatinine in serum; statuses final, amended, corrected as in FHIR R4 observation-status."""
    found = kidney(
        observation("2160-0", 1.1, "mg/dL", "2026-01-10"),
        observation("2160-0", 1.4, "mg/dL", "2026-02-20T19:30:00-06:00"),
        observation("2160-0", 9.9, "mg/dL", "2026-03-01", status="entered-in-error"),
        observation("2160-0", 0.9, "mg/dL", "2025-12-01"),
    )
    assert found.creatinine == Decimal("1.4")
    assert found.creatinine_unit == "mg/dL"
    assert found.creatinine_on == date(2026, 2, 20), "an evening sample keeps its day"
    assert found.female is True
    assert found.birth_date == date(1950, 5, 1)


def test_a_weight_in_pounds_is_not_taken_for_kilograms():
    assert kidney(observation("29463-7", 176, "[lb_av]", "2026-01-10")).weight_kg is None
    assert kidney(observation("29463-7", 80, "kg", "2026-01-10")).weight_kg == 80


def test_no_value_is_no_kidney():
    assert kidney({**observation("2160-0", 1.1, "mg/dL", "2026-01-10"), "valueQuantity": {}}).creatinine is None


SURGERY = Moment(date(2026, 3, 18))
CODE = "http://www.cms.gov/Medicare/Coding/ICD10|0SRG0JZ"  # ICD-10-PCS, replacement of the left ankle joint
RULE = AnchorRule("surgery", required=True, recognise={"procedure": (CODE,)})


def procedure(when, status="completed"):
    """An ankle replacement of a day."""
    system, _, code = CODE.partition("|")
    return {
        "resourceType": "Procedure", "id": "1", "status": status, "performedDateTime": when,
        "code": {"coding": [{"system": system, "code": code}]},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("when", "status", "proves"),
    [
        ("2026-03-18T08:00:00-05:00", "completed", True),
        ("2026-03-19T02:00:00Z", "completed", True),  # 21:00 on the 18th in Chicago
        ("2026-03-18", "completed", True),
        ("2026-03-18T08:00:00-05:00", "in-progress", False),
        ("2019-03-18T08:00:00-05:00", "completed", False),  # the other ankle, years ago
        ("2026-03-19T08:00:00-05:00", "completed", False),
        ("2026", "completed", False),
    ],
)
def test_a_procedure_proves_surgery_only_on_the_planned_day(when, status, proves):
    held = read([("Patient/p", PATIENT), ("Procedure/1", procedure(when, status))])
    found = recorded(held, RULE, ZONE, SURGERY)
    assert (found is not None) is proves
    assert found is None or (found[0].day, found[1]) == (SURGERY.day, "Procedure/1")


def test_our_own_resources_are_no_record():
    held = read([("Patient/p", PATIENT), ("", row(1, status="on-hold"))], ours=lambda r: r.get("status") == "on-hold")
    assert held.medicines == ()
    assert [r["resourceType"] for r in held.resources] == ["Patient"]


@pytest.mark.parametrize("count", [0, 2])
def test_a_record_of_nobody_or_of_two_people_is_refused(count):
    with pytest.raises(WaykeeperError) as refused:
        read([(f"Patient/{n}", PATIENT) for n in range(count)])
    assert [f.code for f in refused.value.findings] == ["WKR101"]


def test_old_identifiers_are_not_used():
    old = {"system": "urn:x", "value": "1", "use": "old"}
    assert identifiers({"identifier": [old, {"system": "urn:x", "value": "2"}, {"value": "3"}]}) == [("urn:x", "2")]


def test_what_names_a_resource():
    bundle = {
        "resourceType": "Bundle",
        "entry": [
            {"fullUrl": "urn:uuid:1", "resource": {"resourceType": "Task", "id": "t"}},
            {"fullUrl": "https://server.example/fhir/Task/2", "resource": {"resourceType": "Task", "id": "2"}},
            {"resource": {"resourceType": "Task"}},
            {"request": {}},
        ],
    }
    assert [name for name, _ in resources_of([bundle, {"no": "resource"}])] == ["urn:uuid:1", "Task/2", ""]
