"""Every code of the room is raised by its example and not by the other one."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given

from gaps.messy import bookings, law
from gaps.plans import ankle, evidence, link
from waykeeper.findings import catalogue
from waykeeper.gaps import check, of_others, worklist
from waykeeper.plan.model import Evidence, State

CODES = sorted(code for code in catalogue() if code.startswith("WKG") and code != "WKG106")  # that one needs plans


def made(example):
    return [Evidence(**{"kind": "appointment"} | e | {"patient": tuple(e["patient"])}) for e in example]


@pytest.mark.parametrize("code", CODES)
def test_examples(code):
    entry = catalogue()[code]
    assert [f.code for f in check(made(entry.raises))] == [code]
    assert check(made(entry.passes)) == ()


def test_a_finding_names_no_patient():
    for code in CODES:
        for found in check(made(catalogue()[code].raises)):
            assert "mrn" not in found.line()


@law
@given(bookings())
def test_any_evidence_gives_findings_of_the_catalogue(found):
    assert {f.code for f in check(found)} <= set(CODES)


@pytest.mark.parametrize("kind", ["appointment", "encounter"])
@pytest.mark.parametrize("known", [True, False])
def test_what_was_done_for_one_patient_on_another_patients_order(kind, known):
    """FHIR R4, Appointment.basedOn and Encounter.basedOn: the request that it is to fulfil; the participant or subject
    is who comes. Neither can be taken for the other: the gap of the order's patient stays, and its row asks."""
    own, other = ankle(), ankle(patient="2", name="Bo Reed")
    plans = [(own, State()), *([(other, State())] if known else [])]
    status = "fulfilled" if kind == "appointment" else "finished"
    ref = f"{kind.title()}/1"
    wrong = evidence(ref, status, date(2026, 4, 29), kind=kind, link_to=link(own, "six-week"), patient="2")
    as_of = date(2026, 5, 10)
    before = {r.name: r.verdict for r in worklist([(own, State())], (), as_of).rows}
    listed = worklist(plans, [wrong], as_of)
    mine = [r for r in listed.rows if r.identifier.endswith("|1001")]
    assert {r.name: r.verdict for r in mine} == before
    asked = [(r.item, r.gap) for r in mine if any(ref in q and "names another patient" in q for q in r.questions)]
    assert asked == [("visit/six-week", True)]
    (told,) = of_others([wrong], plans)
    assert (
        told.code == "WKG106" and "visit/six-week in the plan of Patient/1001" in told.details and ref in told.details
    )


def test_nothing_is_said_of_a_patients_own_order():
    own = ankle()
    fine = evidence("Appointment/1", "booked", date(2026, 4, 29), link_to=link(own, "six-week"))
    nameless = replace(fine, patient=())
    elsewhere = replace(fine, patient=("https://alder-quay.example/patients|2",), links=("ServiceRequest/9",))
    assert of_others([fine, nameless, elsewhere], [(own, State())]) == ()
