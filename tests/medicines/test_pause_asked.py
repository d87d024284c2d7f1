"""A Task of somebody else about an order: a hold that the order does not say, so the row asks.

Codes: FHIR R4 CodeSystem task-code (`suspend`), Clinical Practice Guidelines guide (`hold-activity`, `stop-activity`).
"""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import propose
from waykeeper.record import read
from waykeeper.record.model import Kidney

SURGERY = moment("2026-03-18T07:30")
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
NUMBER = {"system": "https://x.example/rx", "value": "7"}
GUIDELINES = "http://hl7.org/fhir/uv/cpg/CodeSystem/cpg-activity-type-cs"
CORE = "http://hl7.org/fhir/CodeSystem/task-code"
ASKS = "a task of somebody else asks to pause or stop it"


def row(order: dict[str, Any] | None = None, *, system: str = GUIDELINES, code: str = "hold-activity", **task: Any):
    """The row of an order that a Task of another system is about."""
    request = {
        "resourceType": "MedicationRequest", "id": "m1", "status": "active", "intent": "order", "identifier": [NUMBER],
        "medicationCodeableConcept": {"text": "apixaban 5 mg tablet"}, **(order or {}),
    }  # fmt: skip
    asked = {
        "resourceType": "Task", "id": "t1", "status": "requested", "intent": "order",
        "code": {"coding": [{"system": system, "code": code}]}, "focus": {"reference": "MedicationRequest/m1"}, **task,
    }  # fmt: skip
    record = read([PATIENT, ("MedicationRequest/m1", request), ("Task/t1", asked)], surgery=SURGERY.day)
    (only,) = propose(record.medicines, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    return only


@pytest.mark.parametrize(
    "task",
    [
        {},
        {"code": "stop-activity"},
        {"system": CORE, "code": "suspend"},
        {"focus": {"reference": "https://x.example/fhir/MedicationRequest/m1/_history/2"}},
        {"focus": {"identifier": NUMBER}},
        {"status": "in-progress"},
        {"status": "completed"},
        {"status": "completed", "executionPeriod": {"end": "2026-03-10"}},
    ],
)
def test_a_task_that_asks_for_a_pause_makes_the_row_ask(task):
    made = row(**task)
    assert made.decision == "ask" and ASKS in made.question
    assert made.missed_days == row(status="cancelled").missed_days  # the proposal stands beside the question


@pytest.mark.parametrize(
    "task",
    [
        {"system": CORE, "code": "resume"},
        {"system": CORE, "code": "approve"},
        {"system": "https://x.example/codes", "code": "suspend"},
        {"status": "cancelled"},
        {"status": "entered-in-error"},
        {"status": "completed", "executionPeriod": {"end": "2024-03-10"}},
        {"focus": {"reference": "MedicationRequest/m2"}},
        {"focus": None},
    ],
)
def test_any_other_task_asks_nothing(task):
    assert ASKS not in row(**task).question


def test_an_order_on_hold_is_asked_about_once():
    made = row({"status": "on-hold"})
    assert "already on hold" in made.question and ASKS not in made.question
