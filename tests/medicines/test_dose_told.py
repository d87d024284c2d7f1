"""The dose that a rule asks for is what one takes at once, not what one tablet holds.

Apixaban with a needle near the spine: 36 hours after a low dose (2.5 mg twice a day), three days after a higher one
(ASRA 2018 and 2025, from memory, and copies of its timing table, as the rule names them).
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import propose
from waykeeper.record import read
from waykeeper.record.model import Kidney

PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})


def days(words: str, **dosage: object) -> int | None:
    """The days without a dose that are proposed before a spinal anaesthesia."""
    order = {
        "resourceType": "MedicationRequest", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": words}, "reasonCode": [{"text": "dvt prophylaxis"}],
        "dosageInstruction": [dosage],
    }  # fmt: skip
    entries = read([PATIENT, ("MedicationRequest/1", order)]).medicines
    (row,) = propose(entries, moment("2026-03-18T07:30"), Kidney(), "spinal", {}, calendar=CALENDAR)
    return row.missed_days


LOW, HIGH = days("apixaban 2.5 mg tablet", text="1 tablet twice daily"), days("apixaban 5 mg tablet")


def of(value: object, unit: str, name: str = "doseQuantity") -> dict[str, object]:
    """A dosage with a quantity, or with a range that ends there."""
    quantity = {"value": value, "unit": unit}
    ends = {"low": {**quantity, "value": 1}, "high": quantity}
    return {"doseAndRate": [{name: ends if name == "doseRange" else quantity}]}


def test_the_rule_tells_a_low_dose_from_a_higher_one() -> None:
    assert (LOW, HIGH) == (2, 3)


@pytest.mark.parametrize(
    ("dosage", "wanted"),
    [
        ({"text": "2 tablets twice daily"}, HIGH),
        ({"text": "take two tablets twice a day"}, HIGH),
        ({"text": "5 mg twice daily"}, HIGH),
        (of(2, "tablet"), HIGH),
        (of(2, "{tbl}"), HIGH),
        (of(1, "tablet"), LOW),
        (of(5, "mg"), HIGH),
        (of(2.5, "mg"), LOW),
        (of(5, "mg", "doseRange"), HIGH),
        ({}, LOW),
    ],
)
def test_tablets_and_milligrams_of_an_instruction_count(dosage: dict[str, object], wanted: int) -> None:
    assert days("apixaban 2.5 mg tablet", **dosage) == wanted


def test_a_unit_of_tablets_is_read_exactly() -> None:
    order = {"resourceType": "MedicationRequest", "dosageInstruction": [of("1.5", "tablets")]}
    (entry,) = read([PATIENT, ("MedicationRequest/1", order)]).medicines
    assert Fraction(entry.units or 0) == Fraction(3, 2)
