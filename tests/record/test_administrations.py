"""The last dose really given comes from MedicationAdministration."""

from __future__ import annotations

from typing import Any

import pytest

from waykeeper.record.read import read

PATIENT = {"resourceType": "Patient", "identifier": [{"system": "https://alder.example/p", "value": "1"}]}
ORDER = {
    "resourceType": "MedicationRequest", "id": "7", "status": "active", "intent": "order",
    "medicationCodeableConcept": {"text": "adalimumab 40 mg"},
}  # fmt: skip


def given(order: str = "MedicationRequest/7", status: str = "completed", **when: Any) -> dict[str, Any]:
    base = {"resourceType": "MedicationAdministration", "status": status, "request": {"reference": order}}
    return base | (when or {"effectiveDateTime": "2026-03-05T09:30:00-06:00"})


def last_taken(*resources: dict[str, Any]) -> str:
    pairs = [("Patient/1", PATIENT), ("MedicationRequest/7", ORDER)]
    entry, *_ = read([*pairs, *((f"MedicationAdministration/{n}", r) for n, r in enumerate(resources))]).medicines
    return str(entry.last_taken)


def test_the_latest_dose_counts_whatever_the_order_of_the_record() -> None:
    older, newer = given(effectiveDateTime="2026-02-19"), given(effectiveDateTime="2026-03-05")
    assert last_taken(older, newer) == last_taken(newer, older) == "2026-03-05"


@pytest.mark.parametrize("order", ["https://fhir.example/r4/MedicationRequest/7", "MedicationRequest/7/_history/3"])
def test_an_order_is_found_by_its_address_and_in_any_version(order: str) -> None:
    assert last_taken(given(order, effectiveDateTime="2026-03-16")) == last_taken(given(effectiveDateTime="2026-03-16"))
    assert last_taken(given(order, effectiveDateTime="2026-03-16")) == "2026-03-16"


def test_the_time_is_kept_as_written() -> None:
    assert last_taken(given()) == "2026-03-05T09:30:00"


def test_a_period_counts_to_its_end() -> None:
    assert last_taken(given(effectivePeriod={"start": "2026-03-04", "end": "2026-03-05"})) == "2026-03-05"


@pytest.mark.parametrize(
    "other",
    [
        given(order="MedicationRequest/8"),
        given(status="not-done"),
        given(status="entered-in-error"),
        given(effectiveDateTime="soon"),
        given(effectivePeriod={}),
    ],
)
def test_what_was_not_given_for_this_order_does_not_count(other: dict[str, Any]) -> None:
    assert last_taken(other) == "None"
