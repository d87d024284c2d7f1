"""A day is the clinic's day: instants in UTC, planned ends, records that are no longer used."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from waykeeper.pathway.model import AnchorRule, FactRule
from waykeeper.record import fact, newest_entry, read, recorded
from waykeeper.record.local_times import in_zone
from waykeeper.timing.model import Moment

CHICAGO = "America/Chicago"  # UTC-6, from 2026-03-08 UTC-5
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
EVENING = "2026-03-18T03:30:00Z"  # 22:30 on the 17th in Chicago


def record(*resources, **more):
    pairs = [(f"{r['resourceType']}/{n}", r) for n, r in enumerate(resources)]
    return read([PATIENT, *pairs], zone=CHICAGO, **more)


@pytest.mark.parametrize(("written", "read_as"), [
    (EVENING, "2026-03-17T22:30:00-05:00"),
    ("2026-03-18T03:30:00.250+00:00", "2026-03-17T22:30:00.250000-05:00"),
    ("2026-01-18T03:30Z", "2026-01-17T21:30:00-06:00"),
    ("2026-03-17T22:30:00-05:00", "2026-03-17T22:30:00-05:00"),
    ("2026-07-01T23:30:00-06:00", "2026-07-02T00:30:00-05:00"),  # a system that writes standard time all year
    ("2026-03-18", "2026-03-18"), ("2026-03", "2026-03"), ("2026-03-18T03:30:00", "2026-03-18T03:30:00"),
    ("2026-02-30T03:30:00Z", "2026-02-30T03:30:00Z"), ("on 2026-03-18T03:30:00Z", "on 2026-03-18T03:30:00Z"),
])  # fmt: skip
def test_an_instant_as_the_clinics_time(written, read_as):
    assert in_zone({"a": [{"b": written}], "meta": {"lastUpdated": EVENING}}, CHICAGO) == {
        "a": [{"b": read_as}], "meta": {"lastUpdated": EVENING},
    }  # fmt: skip


def test_what_needs_no_change_is_the_same_object():
    resource = {"a": ["2026-03-17T22:30:00-05:00"], "b": 1}
    assert in_zone(resource, CHICAGO) is resource


ORDER = {
    "resourceType": "MedicationRequest",
    "status": "active",
    "medicationCodeableConcept": {"text": "apixaban 5 mg"},
}


def test_the_last_dose():
    given = {"resourceType": "MedicationAdministration", "status": "completed", "effectiveDateTime": EVENING,
             "request": {"reference": "MedicationRequest/0"}}  # fmt: skip
    (entry,) = record(ORDER, given).medicines
    assert str(entry.last_taken) == "2026-03-17T22:30:00"


def test_the_key_of_a_row_does_not_depend_on_the_zone():
    row = {**ORDER, "authoredOn": EVENING}
    keys = {read([PATIENT, ("", row)], zone=zone).medicines[0].key for zone in ("", CHICAGO, "Asia/Tokyo")}
    assert len(keys) == 1


def test_a_laboratory_result():
    made = {
        "resourceType": "Observation", "status": "final", "effectiveDateTime": EVENING,
        "code": {"coding": [{"system": "http://loinc.org", "code": "2160-0"}]},
        "valueQuantity": {"value": 1.1, "unit": "mg/dL", "code": "mg/dL"},
    }  # fmt: skip
    found = record(made).kidney
    assert (found.creatinine, found.creatinine_on) == (Decimal("1.1"), date(2026, 3, 17))


def test_an_operation_and_the_newest_entry():
    done = {"resourceType": "Procedure", "status": "completed", "performedDateTime": EVENING,
            "code": {"coding": [{"code": "TAR"}]}}  # fmt: skip
    rule = AnchorRule("surgery", recognise={"procedure": ("TAR",)})
    assert recorded(record(done), rule, CHICAGO, Moment(date(2026, 3, 17)))
    assert not recorded(record(done), rule, CHICAGO, Moment(date(2026, 3, 18)))
    assert newest_entry(record(done)) == (date(2026, 3, 17), "Procedure")


def test_a_time_without_a_zone_proves_its_day_and_no_hour():
    """FHIR R4, dateTime: where hours and minutes are specified a time zone SHALL be there; not every system does so."""
    rule = AnchorRule("surgery", recognise={"procedure": ("TAR",)})
    done = {"resourceType": "Procedure", "id": "1", "status": "completed", "performedDateTime": "2026-03-17T07:30:00",
            "code": {"coding": [{"code": "TAR"}]}}  # fmt: skip
    day = Moment(date(2026, 3, 17))
    assert recorded(record(done), rule, CHICAGO, day) == (day, "Procedure/1")


def test_a_fact_that_counts_from_a_day():
    """Two years before surgery to the day: an allergy noted on the evening before that day is older."""
    rule = FactRule(
        "recent", yes="AllergyIntolerance.where(recordedDate.toString().substring(0, 10) >= '2024-03-18').exists()"
    )
    noted = {"resourceType": "AllergyIntolerance", "recordedDate": "2024-03-18T03:30:00Z"}
    assert str(fact(record(noted), rule, None)) == "unknown"
    assert str(fact(read([PATIENT, ("AllergyIntolerance/1", noted)]), rule, None)) == "yes"


def statement(end, status="active", **more):
    period = {"start": "2025-01-01", "end": end}
    return {"resourceType": "MedicationStatement", "status": status, "effectivePeriod": period,
            "medicationCodeableConcept": {"text": "apixaban 5 mg"}, **more}  # fmt: skip


SURGERY = date(2026, 3, 18)


# FHIR R4 MedicationStatement.effective[x], dateAsserted
@pytest.mark.parametrize(("said", "today", "taken"), [
    (statement("2026-12-31"), None, "None"),
    (statement("2026-12-31", "completed"), None, "None"),           # an end to come is no last dose
    (statement("2026-03-18"), None, "None"),                        # the day of surgery itself: the plan is made before
    (statement("2026-03-16"), None, "2026-03-16"),
    (statement("2026-03-16", dateAsserted="2026-03-02"), None, "None"),
    (statement("2026-03-16", dateAsserted="2026-03-16"), None, "2026-03-16"),
    (statement("2026-03-16", "stopped", dateAsserted="2026-03-02"), None, "2026-03-16"),
    (statement("2026-03-16"), date(2026, 3, 2), "None"),
    (statement("2026-03-16"), date(2026, 3, 16), "2026-03-16"),
])  # fmt: skip
def test_a_planned_end_is_no_last_dose(said, today, taken):
    (entry,) = record(said, surgery=SURGERY, today=today).medicines
    assert str(entry.last_taken) == taken


# FHIR R4 Patient.active, Patient.link
@pytest.mark.parametrize(("more", "codes"), [
    ({"active": False}, ["WKR104"]),
    ({"link": [{"type": "replaced-by", "other": {"reference": "Patient/q"}}]}, ["WKR104"]),
    ({"active": False, "link": [{"type": "replaced-by", "other": {"reference": "Patient/q"}}]}, ["WKR104"]),
    ({"link": [{"type": "replaces", "other": {"reference": "Patient/q"}}]}, []),
    ({"link": [{"type": "seealso", "other": {"reference": "Patient/q"}}]}, []),
    ({"active": True}, []),
    ({}, []),
])  # fmt: skip
def test_a_record_that_is_no_longer_used_is_told(more, codes):
    assert [f.code for f in read([("Patient/p", PATIENT[1] | more)]).findings] == codes
