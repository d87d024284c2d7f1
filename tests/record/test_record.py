"""A record in: one row for each medicine, the latest usable kidney values, proof of anchors. Invented people only."""

from datetime import date
from decimal import Decimal

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.medicines import clearance
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
    assert found[21].startswith("row-") and found[21] != found[26], "an identifier of several rows is the key of none"
    assert found[40].startswith("row-")
    assert found[43] == f"{found[40]}#2"
    saved = {"id": "9", "meta": {"versionId": "2"}, "text": {"status": "generated", "div": "<div/>"}}
    (again,) = read([("Patient/p", PATIENT), ("", row(0, **saved))]).medicines
    assert again.key == found[40], "what a server adds to a row is not its content"


def test_rows_with_one_identifier_keep_their_keys_in_any_order():
    order = {"resourceType": "MedicationRequest", "identifier": [RX]}
    rows = [
        (f"MedicationRequest/{n}", order | {"id": n, "medicationCodeableConcept": {"text": words}})
        for n, words in (("1", "warfarin"), ("2", "aspirin"))
    ]
    known = [{e.key: e.words for e in read([("Patient/p", PATIENT), *given]).medicines} for given in (rows, rows[::-1])]
    assert known[0] == known[1] == {"MedicationRequest/1": "warfarin", "MedicationRequest/2": "aspirin"}
    alone = read([("Patient/p", PATIENT), rows[0]]).medicines
    assert [e.key for e in alone] == ["urn:orders|RX-77"]


RX = {"system": "urn:orders", "value": "RX-77"}
HERS = {"resourceType": "Patient", "id": "p1", "identifier": [{"system": "urn:mrn", "value": "1"}]}


@pytest.mark.parametrize(
    "subject",
    [
        {"reference": "Patient/p2"},
        {"reference": "https://x.example/fhir/Patient/p2"},
        {"reference": "Patient/p2/_history/1"},
        {"reference": "urn:uuid:0b9e3b5e-8f2c-4d39-9f0e-2f6f6f6f6f6f"},
        {"identifier": {"system": "urn:mrn", "value": "2"}},
    ],
)
def test_what_is_another_patients_is_refused(subject):
    with pytest.raises(WaykeeperError) as refused:
        read([("Patient/p1", HERS), ("Condition/c", {"resourceType": "Condition", "id": "c", "subject": subject})])
    assert [f.code for f in refused.value.findings] == ["WKR103"]
    assert "Condition/c" in str(refused.value.findings[0])


@pytest.mark.parametrize(
    "subject",
    [
        {"reference": "Patient/p1"},
        {"reference": "https://x.example/fhir/Patient/p1/_history/3"},
        {"reference": "Group/7"},
        {"identifier": {"system": "urn:mrn", "value": "1"}},
        {"identifier": {"system": "urn:other", "value": "2"}},
        {"display": "Ada Quill"},
    ],
)
def test_what_is_hers_or_nobodys_is_read(subject):
    read([("Patient/p1", HERS), ("Condition/c", {"resourceType": "Condition", "id": "c", "subject": subject})])


def test_a_bundle_in_a_bundle_is_read():
    order = {"resourceType": "MedicationRequest", "id": "1", "medicationCodeableConcept": {"text": "warfarin"}}
    found = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": order}]}
    whole = {"resourceType": "Bundle", "type": "batch-response", "entry": [{"resource": PATIENT}, {"resource": found}]}
    assert [e.words for e in read(resources_of(whole)).medicines] == ["warfarin"]


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
    """One avoirdupois pound is 0.45359237 kg exactly, one inch 2.54 cm (NIST SP 811, appendix B)."""
    pounds = kidney(observation("29463-7", 176, "[lb_av]", "2026-01-10")).weight_kg
    assert pounds == 176 * Decimal("0.45359237")
    assert kidney(observation("8302-2", 70, "[in_i]", "2026-01-10")).height_cm == Decimal("177.8")
    without_unit = observation("29463-7", 132, "kg", "2026-01-10") | {"valueQuantity": {"value": 132}}
    assert kidney(without_unit).weight_kg is None
    assert kidney(observation("29463-7", 660, "kg", "2026-01-10")).weight_kg is None
    found = kidney(observation("29463-7", 80, "kg", "2026-01-10"))
    assert (found.weight_kg, found.weight_on, found.weight_doubt) == (80, date(2026, 1, 10), "")
    ounces = kidney(observation("29463-7", 2187, "[oz_av]", "2026-01-10")).weight_kg
    assert ounces == 2187 * Decimal("0.028349523125")


@pytest.mark.parametrize(
    ("value", "unit", "doubt"),
    [
        (137, "lbs", "is 137 lbs, a unit that is not read"),
        (9.8, "st", "is 9.8 st, a unit that is not read"),
        (620, "kg", "is 620 kg, which is hardly possible"),
        (132, "", "is 132, without a unit"),
        (None, "kg", "cannot be read as one number"),
    ],
)
def test_a_weight_that_is_there_and_cannot_be_used_says_why(value, unit, doubt):
    found = kidney(observation("29463-7", value, unit, "2026-01-10"))
    assert (found.weight_kg, found.weight_on) == (None, date(2026, 1, 10))
    assert found.weight_doubt == f"the newest weight of 2026-01-10 {doubt}"


OLD_AND_GOOD = ("2160-0", 0.8, "mg/dL", "2026-03-01")


@pytest.mark.parametrize(
    ("newer", "value"),
    [
        ({"valueString": "2.4 mg/dL"}, None),
        ({"valueQuantity": {"value": 0.5, "code": "mg/dL", "comparator": "<"}}, None),
        ({"status": "preliminary"}, None),
        ({"dataAbsentReason": {"text": "unknown"}}, None),
        ({"effectiveDateTime": None, "effectiveInstant": "2026-03-10T08:00:00Z"}, Decimal("2.4")),
        ({"effectiveDateTime": None, "issued": "2026-03-10T08:00:00Z"}, Decimal("2.4")),
        ({"status": "registered"}, Decimal("0.8")),  # nothing has been measured yet
    ],
)
def test_an_older_and_better_result_never_stands_for_a_newer_one(newer, value):
    last = observation("2160-0", 2.4, "mg/dL", "2026-03-10") | newer
    if "valueString" in newer or "dataAbsentReason" in newer:
        del last["valueQuantity"]
    assert kidney(observation(*OLD_AND_GOOD), last).creatinine == value


def test_creatinine_in_a_panel_or_by_amount_of_substance_is_read():
    """LOINC 14682-9: creatinine [moles/volume] in serum or plasma."""
    moles = kidney(observation(*OLD_AND_GOOD), observation("14682-9", 220, "umol/L", "2026-03-10"))
    assert (moles.creatinine, moles.creatinine_unit) == (220, "umol/L")
    panel = observation("24321-2", 0, "mg/dL", "2026-03-10")
    part = {"code": {"coding": [{"system": "http://loinc.org", "code": "2160-0"}]}}
    panel |= {"component": [part | {"valueQuantity": {"value": 2.4, "code": "mg/dL"}}]}
    assert kidney(observation(*OLD_AND_GOOD), panel).creatinine == Decimal("2.4")


@pytest.mark.parametrize("turned", [False, True])
def test_of_one_day_the_latest_result_counts_and_the_worst_where_no_time_is_told(turned):
    timed = [observation("2160-0", v, "mg/dL", f"2026-03-10T{h}:00:00-05:00") for v, h in ((0.8, "06"), (2.4, "18"))]
    untimed = [observation("2160-0", v, "mg/dL", "2026-03-10") for v in (0.8, 2.4)]
    for found in (timed, untimed):
        assert kidney(*(found[::-1] if turned else found)).creatinine == Decimal("2.4")
    better = [observation("2160-0", v, "mg/dL", f"2026-03-10T{h}:00:00-05:00") for v, h in ((2.4, "06"), (0.8, "18"))]
    assert kidney(*(better[::-1] if turned else better)).creatinine == Decimal("0.8")


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


STAY = AnchorRule("discharge", recognise={"encounter_end": ("inpatient",)})


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize(
    ("first", "second"),
    [(("SS", "2026-03-18", "2026-03-18"), ("IMP", "2026-03-18", "2026-03-23")),  # theatre, then the ward
     (("IMP", "2026-03-12", "2026-03-18"), ("IMP", "2026-03-18", "2026-03-23")),  # another ward until that morning
     (("IMP", "2026-03-18", "2026-03-19"), ("IMP", "2026-03-17", "2026-03-23"))],
)  # fmt: skip
def test_of_several_stays_the_one_that_ends_last_is_the_way_home(first, second, order):
    """In whatever order a server gives them (common practice, no source)."""
    stays = [
        (f"Encounter/{n}", {
            "resourceType": "Encounter", "id": str(n), "status": "finished", "class": {"code": kind},
            "period": {"start": start, "end": end},
        }) for n, (kind, start, end) in enumerate((first, second))
    ][::order]  # fmt: skip
    found = recorded(read([("Patient/p", PATIENT), *stays]), STAY, ZONE, SURGERY)
    assert found == (Moment(date(2026, 3, 23)), "Encounter/1")


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


# KDIGO 2012 (from memory): 1.5 times within 7 days, 0.3 mg/dL (26.5 umol/L) within 48 hours; N17 is ICD-10-CM.
@pytest.mark.parametrize(
    ("before", "day", "newest", "unit", "steady"),
    [
        (1.0, "2026-01-03", 1.5, "mg/dL", False),
        (1.5, "2026-01-03", 1.0, "mg/dL", False),  # a fall is no steady state either
        (1.0, "2026-01-03", 1.49, "mg/dL", True),
        (1.0, "2026-01-02", 1.5, "mg/dL", True),  # eight days
        (1.0, "2026-01-08", 1.3, "mg/dL", False),
        (1.0, "2026-01-08", 1.29, "mg/dL", True),
        (1.0, "2026-01-07", 1.3, "mg/dL", True),  # three days
        (100, "2026-01-08", 126.5, "umol/L", False),
        (100, "2026-01-08", 126, "µmol/L", True),
    ],
)
def test_a_creatinine_that_jumps_is_not_of_a_steady_kidney(before, day, newest, unit, steady):
    found = kidney(observation("2160-0", before, unit, day), observation("2160-0", newest, unit, "2026-01-10"))
    assert (found.unsteady == "") is steady


@pytest.mark.parametrize(
    ("changes", "steady"),
    [
        ({}, False),
        ({"onsetDateTime": "2026-01-09"}, False),
        ({"onsetDateTime": "2025-10-12"}, False),
        ({"onsetDateTime": "2025-10-11"}, True),  # 91 days before the creatinine
        ({"clinicalStatus": {"coding": [{"code": "resolved"}]}}, True),
        ({"verificationStatus": {"coding": [{"code": "refuted"}]}}, True),
        ({"abatementDateTime": "2025-12-01"}, True),
        ({"code": {"coding": [{"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "N18.3"}]}}, True),
    ],
)
def test_an_acute_kidney_failure_gives_no_clearance(changes, steady):
    acute = {"coding": [{"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "N17.9"}]}
    condition = {"resourceType": "Condition", "code": acute} | changes
    found = kidney(
        observation("2160-0", 1.0, "mg/dL", "2026-01-10"), observation("29463-7", 80, "kg", "2026-01-10"), condition
    )
    result = clearance(found, date(2026, 1, 20))
    assert (result.usable is not None, "needs a steady kidney, measure again" in result.question) == (
        steady,
        not steady,
    )
