"""A statement about an order of the same list is no second medicine (FHIR R4, MedicationStatement.basedOn)."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import daily_sums, propose
from waykeeper.record import read
from waykeeper.record.model import Kidney, MedicineEntry

SURGERY = moment("2026-03-18T07:30")
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
NUMBER = {"system": "https://x.example/rx", "value": "7"}


def listed(statement: dict[str, Any], words: str = "apixaban 5 mg tablet", **order: Any) -> tuple[MedicineEntry, ...]:
    """An order, and a statement that is based on it."""
    request = {
        "resourceType": "MedicationRequest", "id": "m1", "status": "active", "intent": "order", "identifier": [NUMBER],
        "medicationCodeableConcept": {"text": words}, "dosageInstruction": [{"text": "twice daily"}], **order,
    }  # fmt: skip
    said = {
        "resourceType": "MedicationStatement", "id": "s1", "status": "active",
        "medicationCodeableConcept": {"text": words}, "basedOn": [{"reference": "MedicationRequest/m1"}], **statement,
    }  # fmt: skip
    return read([PATIENT, ("MedicationRequest/m1", request), ("MedicationStatement/s1", said)]).medicines


def doubled(entries: tuple[MedicineEntry, ...]) -> list[bool]:
    got = propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    assert len(got) == len(entries) == 2  # no row is dropped
    return ["is on the list 2 times" in row.question for row in got]


@pytest.mark.parametrize(
    "statement",
    [
        {},
        {"dosage": [{"text": "twice daily"}]},
        {"basedOn": [{"reference": "https://x.example/fhir/MedicationRequest/m1/_history/2"}]},
        {"basedOn": [{"identifier": NUMBER}]},
    ],
)
def test_a_statement_that_agrees_with_its_order_is_no_second_one(statement: dict[str, Any]) -> None:
    entries = listed(statement)
    assert doubled(entries) == [False, False]
    (_, told) = propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    assert "a statement about an order of this list, not a second medicine" in told.notes


@pytest.mark.parametrize(
    "statement",
    [
        {"basedOn": []},
        {"basedOn": [{"reference": "MedicationRequest/m2"}]},
        {"dosage": [{"text": "four times daily"}]},
        {"dosage": [{"text": "twice daily", "asNeededBoolean": True}]},
        {"dosage": [{"text": "twice daily"}, {"text": "at night"}]},
        {"medicationCodeableConcept": {"text": "apixaban 2.5 mg tablet"}},
        {"status": "intended"},
    ],
)
def test_a_statement_that_says_something_of_its_own_is_asked_about(statement: dict[str, Any]) -> None:
    assert doubled(listed(statement)) == [True, True]


def test_an_order_that_is_over_leaves_the_statement_for_itself() -> None:
    entries = listed({}, status="stopped")
    got = propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    assert [r.decision for r in got] == ["already stopped", "hold"]
    assert "a statement about" not in " ".join(got[1].notes)


def test_a_sum_of_the_day_counts_it_once() -> None:
    words = "acetaminophen 500 mg tablet"
    dose = [{"text": "2 tablets four times daily"}]
    twice = daily_sums(listed({"basedOn": []}, words, dosageInstruction=dose)).acetaminophen
    once = daily_sums(listed({}, words, dosageInstruction=dose)).acetaminophen
    assert once.mg == 4000
    assert twice.mg == 4000  # a statement without a dose is in no sum
    both = listed({"dosage": dose}, words, dosageInstruction=dose)
    assert daily_sums(both).acetaminophen.mg == 4000
    assert daily_sums(listed({"dosage": dose, "basedOn": []}, words, dosageInstruction=dose)).acetaminophen.mg == 8000
