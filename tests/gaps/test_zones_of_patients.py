"""Two clinics in two zones in one caseload: each source has the days of its own patient's clinic.

America/Chicago (-05:00 in summer) and Pacific/Honolulu (-10:00, no daylight saving) by the IANA time zone database.
"""

import json
from datetime import date

import pytest

from gaps.exported import MRN, TYPES, appointment, encounter, exported, gaps, row
from waykeeper.exchange.theatre import read_theatre_list
from waykeeper.fhir import evidence, evidence_of, read_all, zones_of
from waykeeper.record import resources_of
from waykeeper.verbs.caseload import caseload

HONOLULU = "Pacific/Honolulu"
KNEE = f"{MRN}|AQ-1012"
EVENING = "2026-04-29T20:30:00-10:00"  # half past one in the morning of the 30th in Chicago
ISLANDER = {"reference": "Patient/k1"}


def both():
    """The ankle's plan of Chicago, and a knee's of a clinic in Honolulu."""
    knee = json.dumps(exported("knee-left", "k1", "k")).replace('"America/Chicago"', f'"{HONOLULU}"')
    return [*exported(), *json.loads(knee)]


def of_knee(name, start=EVENING, **more):
    participants = [{"actor": more.pop("actor", ISLANDER), "status": "accepted"}]
    service = [{"coding": [{"system": TYPES, "code": "TKR-3M"}]}]
    said = {"serviceType": service, "description": "3 month check", "participant": participants}
    return appointment(name, "fulfilled") | {"start": start, "created": start} | said | more


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("actor", [ISLANDER, {"type": "Patient", "identifier": {"system": MRN, "value": "AQ-1012"}}])
def test_each_source_has_the_days_of_its_patients_clinic(turned, actor, tmp_path):
    held = both()
    held = held[::-1] if turned else held
    mine = appointment("a", start="2026-04-28T23:30:00-05:00")
    seen = encounter("e", subject=actor) | {"period": {"start": EVENING}}
    found = gaps(tmp_path, [*held, of_knee("x", actor=actor), mine, seen])
    days = {a["reference"]: a["day"] for a in found["appointments"] if a["status"] != "proposed"}
    assert days == {"Appointment/x": "2026-04-29", "Appointment/a": "2026-04-28", "Encounter/e": "2026-04-29"}
    assert row(found, "visit/three-month", KNEE)["evidence_day"] == "2026-04-29"
    assert row(found, "visit/six-week")["evidence_day"] == "2026-04-28"


def classes():
    joint = appointment("c") | {"start": EVENING}
    joint["participant"] = [{"actor": {"reference": f"Patient/{n}"}, "status": "accepted"} for n in ("1", "k1")]
    return joint


def test_a_class_is_on_the_day_of_each():
    held = resources_of({"resourceType": "Bundle", "entry": [{"resource": r} for r in [*both(), classes()]]})
    found = [e for e in evidence_of(held, read_all(held)) if e.reference == "Appointment/c"]
    assert [(e.patient[0], e.day.isoformat()) for e in found] == [
        ("Patient/1", "2026-04-30"), ("Patient/k1", "2026-04-29"),
    ]  # fmt: skip


def test_an_order_for_something_else_takes_nothing_away():
    order = {"resourceType": "ServiceRequest", "id": "z", "status": "active", "subject": {"reference": "Patient/1"}}
    told = [[*both(), classes(), *more] for more in ([], [order])]
    held = [resources_of({"resourceType": "Bundle", "entry": [{"resource": r} for r in one]}) for one in told]
    without, beside = (evidence_of(one, read_all(one)) for one in held)
    assert beside == without
    assert [e.reference for e in beside][-2:] == ["Appointment/c"] * 2


def test_in_one_zone_nothing_is_read_twice():
    held = resources_of({"resourceType": "Bundle", "entry": [{"resource": r} for r in [*exported(), classes()]]})
    plans = read_all(held)
    assert zones_of(plans) == {}
    assert evidence_of(held, plans) == evidence(held, "America/Chicago")


def test_the_parts_of_a_large_export_say_the_same(tmp_path):
    held = [*both(), of_knee("x"), appointment("a", start="2026-04-28T23:30:00-05:00")]
    whole = gaps(tmp_path, held)
    split = caseload([tmp_path / "export" / "all.ndjson"], date(2026, 5, 10), part=50_000, jobs=1)
    assert len(split.parts.files) > 1
    days = {(r.identifier, r.item): r.evidence_day for r in split.worklist.rows if r.evidence_day}
    assert days == {
        (r["identifier"], r["item"]): date.fromisoformat(r["evidence_day"]) for r in whole["rows"] if r["evidence_day"]
    }
    assert days[KNEE, "visit/three-month"] == date(2026, 4, 29)


def test_an_operation_in_the_evening_is_on_the_day_of_its_clinic(tmp_path):
    listed = tmp_path / "theatre.ndjson"
    named = {"type": "Patient", "identifier": {"system": MRN, "value": "AQ-1012"}}
    listed.write_text(json.dumps(of_knee("op", actor=named) | {"status": "booked"}), "utf-8")
    (case,) = read_theatre_list(str(listed), [MRN], "America/Chicago", {KNEE: HONOLULU}).cases
    assert case.day == date(2026, 4, 29)
