"""The hours of a timing that keeps to no standard: FHIR R4, Timing.repeat.timeOfDay and .when are lists of texts."""

from __future__ import annotations

from typing import Any

import pytest

from waykeeper.record import read

PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})


@pytest.mark.parametrize(
    ("repeat", "hours"),
    [
        ({"timeOfDay": ["20:00:00"], "when": ["HS"]}, ("20:00", "HS")),
        ({"timeOfDay": [None]}, ()),
        ({"timeOfDay": [None, "08:00:00"]}, ("08:00",)),
        ({"timeOfDay": [2000]}, ()),
        ({"timeOfDay": "20:00:00"}, ()),
        ({"when": [None]}, ()),
        ({"when": "HS"}, ()),
        ({"when": {"code": "HS"}}, ()),
        ({}, ()),
    ],
)
def test_only_the_texts_of_lists_are_hours(repeat: dict[str, Any], hours: tuple[str, ...]) -> None:
    order = {
        "resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": "lisinopril 10 mg"},
        "dosageInstruction": [{"timing": {"repeat": repeat}}],
    }  # fmt: skip
    (one,) = read([PATIENT, ("MedicationRequest/1", order)]).medicines
    assert one.hours == hours
