"""How often and at which hours: FHIR R4, Timing.repeat, of which .timeOfDay and .when are lists of texts."""

from __future__ import annotations

from typing import Any

import pytest

from waykeeper.record import read
from waykeeper.record.model import MedicineEntry

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
    assert ordered(repeat).hours == hours


# FHIR R4, Timing.repeat: `frequency` times in each period; with dayOfWeek only on those days.
@pytest.mark.parametrize(
    ("repeat", "times"),
    [
        ({"frequency": 2, "period": 1, "periodUnit": "d", "dayOfWeek": ["mon", "thu"]}, 4),
        ({"frequency": 2, "period": 1, "periodUnit": "wk", "dayOfWeek": ["mon", "thu"]}, 2),
        ({"frequency": 1, "period": 1, "periodUnit": "d"}, 7),
        ({"frequency": 1, "period": 8, "periodUnit": "h"}, 21),
    ],
)
def test_how_often_in_a_week(repeat: dict[str, Any], times: int) -> None:
    assert ordered(repeat).times_a_week == times


def ordered(repeat: dict[str, Any]) -> MedicineEntry:
    order = {
        "resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": "lisinopril 10 mg"},
        "dosageInstruction": [{"timing": {"repeat": repeat}}],
    }  # fmt: skip
    (one,) = read([PATIENT, ("MedicationRequest/1", order)]).medicines
    return one
