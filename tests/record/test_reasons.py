"""Why a medicine is taken, where the order points at a Condition (FHIR R4, MedicationRequest.reasonReference)."""

from __future__ import annotations

import pytest

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import propose
from waykeeper.record import read
from waykeeper.record.model import Kidney
from waykeeper.record.reasons import Reasons

ICD = "http://hl7.org/fhir/sid/icd-10-cm"
HERE, OTHER = "https://a.example/fhir", "https://b.example/fhir"
PATIENT = {"resourceType": "Patient", "id": "p", "identifier": [{"system": "s", "value": "1"}]}
CAD = {"resourceType": "Condition", "id": "c", "code": {"coding": [{"system": ICD, "code": "I25.10"}]}}


def order(pointer, **more):
    return {
        "resourceType": "MedicationRequest", "id": "m", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": "aspirin 81 mg tablet"}, "reasonReference": [pointer], **more,
    }  # fmt: skip


def reasons(given, *others):
    held = [("Patient/p", PATIENT), ("MedicationRequest/m", given), *others]
    (entry,) = read(held).medicines
    return entry


def named(condition, name="Condition/c"):
    return (name, condition)


@pytest.mark.parametrize(
    ("given", "others", "wanted"),
    [
        (order({"reference": "Condition/c"}), [named(CAD)], (f"{ICD}|I25.10",)),
        (order({"reference": "Condition/c/_history/2"}), [named(CAD)], (f"{ICD}|I25.10",)),
        (order({"reference": "https://a.example/fhir/Condition/c"}), [named(CAD)], (f"{ICD}|I25.10",)),
        (order({"reference": "urn:uuid:1"}), [named(CAD, "urn:uuid:1")], (f"{ICD}|I25.10",)),
        (order({"reference": "#in"}, contained=[{**CAD, "id": "in"}]), [], (f"{ICD}|I25.10",)),
        (order({"display": "Coronary artery disease"}), [], ("coronary artery disease",)),
        (order({"reference": "Condition/gone", "display": "Stroke"}), [named(CAD)], ("stroke",)),
        (order({"reference": "Condition/gone"}), [named(CAD)], ()),
        (order({"reference": "Condition/c"}), [named({**CAD, "code": {"text": "Angina"}})], ("angina",)),
        (order({"reference": "Condition/c"}), [named(CAD), named({**CAD, "code": {"text": "pain"}})], ()),
        (order({"reference": "Condition/c"}), [named(CAD), named(CAD)], (f"{ICD}|I25.10",)),
        (
            order({"reference": "Condition/c", "display": "Coronary artery disease"}),
            [named({**CAD, "verificationStatus": {"coding": [{"code": "refuted"}]}})],
            (),
        ),
        (order({"reference": f"{OTHER}/Condition/c"}), [named(CAD, f"{HERE}/Condition/c")], ()),
        (
            order({"reference": f"{OTHER}/Condition/c"}),
            [named(CAD, f"{HERE}/Condition/c"), named({**CAD, "code": {"text": "Angina"}}, f"{OTHER}/Condition/c")],
            ("angina",),
        ),
    ],
)
def test_the_reason_behind_a_reference(given, others, wanted):
    assert reasons(given, *others).indication == wanted


@pytest.mark.parametrize(
    ("status", "is_reason"),
    [
        (None, True),
        ({"coding": [{"code": "confirmed"}]}, True),
        ({"coding": [{"code": "unconfirmed"}]}, False),
        ({"coding": [{"code": "provisional"}]}, False),
        ({"coding": [{"code": "differential"}]}, False),
        ({"coding": [{"code": "entered-in-error"}]}, False),
        ({"text": "suspected"}, False),
    ],
)
def test_a_condition_that_is_not_sure_is_no_reason(status, is_reason):
    """FHIR R4, condition-ver-status: of six codes one says that there is sufficient evidence, `confirmed`."""
    condition = {**CAD, "verificationStatus": status} if status else CAD
    assert bool(reasons(order({"reference": "Condition/c"}), named(condition)).indication) is is_reason


@pytest.mark.parametrize("turn", [1, -1])
def test_of_two_copies_of_which_one_is_not_sure_none_is_a_reason(turn):
    refuted = {**CAD, "verificationStatus": {"coding": [{"code": "refuted"}]}}
    copies = [named(CAD), named(refuted)][::turn]
    assert reasons(order({"reference": "Condition/c"}), *copies).indication == ()


def test_a_relative_reference_is_of_the_server_of_its_order():
    there = [named(CAD, f"{HERE}/Condition/c"), named({**CAD, "code": {"text": "Angina"}}, f"{OTHER}/Condition/c")]
    known = Reasons(there)
    given = order({"reference": "Condition/c"})
    assert known.of(given, f"{OTHER}/MedicationRequest/m") == ("angina",)
    assert known.of(given, f"{HERE}/MedicationRequest/m") == (f"{ICD}|I25.10",)
    assert known.of(given) == ()  # nobody knows which


def test_what_the_order_says_itself_stands_first():
    both = order({"reference": "Condition/c"}, reasonCode=[{"text": "Pain"}])
    assert reasons(both, named(CAD)).indication == ("pain", f"{ICD}|I25.10")


def test_a_known_reason_is_not_asked_for():
    """Aspirin after a heart disease continues (CHEST 2022, from memory); `why is it taken?` stood beside the answer."""

    def row(*others):
        entry = reasons(order({"reference": "Condition/c"}), *others)
        return propose([entry], moment("2026-03-18T07:30"), Kidney(), "general", {}, calendar=CALENDAR)[0]

    assert row(named(CAD)).decision == "continue"
    unknown = row()
    assert unknown.decision == "ask" and "why is it taken?" in unknown.question
