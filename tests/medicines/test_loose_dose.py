"""A dose of a listed medicine whose record names no order: told beside the row, and counted for nothing.

FHIR R4: MedicationAdministration.request names the order; it may be left out. Invented people only.
"""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import MedicineRow, propose
from waykeeper.record import read
from waykeeper.record.model import Kidney

SURGERY = moment("2026-03-18T07:30")
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
ASKED = "and its record names no order: was it of this one?"


def order(words: str, id: str = "o", **more: Any) -> tuple[str, dict[str, Any]]:  # noqa: A002 - FHIR's word
    said = {"resourceType": "MedicationRequest", "id": id, "status": "active", "intent": "order"}
    return f"MedicationRequest/{id}", {**said, "medicationCodeableConcept": {"text": words}, **more}


def dose(words: str, on: str, id: str = "a", **more: Any) -> tuple[str, dict[str, Any]]:  # noqa: A002
    said = {"resourceType": "MedicationAdministration", "id": id, "status": "completed", "effectiveDateTime": on}
    return f"MedicationAdministration/{id}", {**said, "medicationCodeableConcept": {"text": words}, **more}


def rows(*pairs: tuple[str, dict[str, Any]]) -> tuple[MedicineRow, ...]:
    entries = read([PATIENT, *pairs], surgery=SURGERY.day).medicines
    return propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)


@pytest.mark.parametrize(
    ("words", "on", "asked"),
    [
        ("warfarin 5 mg", "2026-03-15T20:00:00-05:00", "given on Sun 2026-03-15 20:00, inside the hold,"),  # N = 5
        ("warfarin 5 mg", "2026-03-12", ""),  # the last-dose day itself
        ("lisinopril 10 mg", "2026-03-17T08:00:00-05:00", "given on Tue 2026-03-17 08:00, inside the hold,"),  # 23.5 h
        ("lisinopril 10 mg", "2026-03-17T07:30:00-05:00", ""),  # exactly 24 h
        ("adalimumab 40 mg every 14 days", "2026-03-01", "given on Sun 2026-03-01, and its record"),  # given in cycles
        ("metoprolol 50 mg", "2026-03-17", ""),  # nothing pauses
        ("warfarin 5 mg", "2026-03-19", ""),  # after surgery
    ],
)
def test_a_dose_without_its_order_asks_where_it_matters(words: str, on: str, asked: str) -> None:
    plain, told = rows(order(words))[0], rows(order(words), dose(words, on))[0]
    assert (asked in told.question and ASKED in told.question) if asked else told == plain
    assert (told.decision, told.missed_days, told.last_dose, told.window) == (
        plain.decision, plain.missed_days, plain.last_dose, plain.window,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("words", "on", "asked"),
    [
        # 29 to 35 days are the longest cycle of tocilizumab (2022 ACR/AAHKS guideline): 34 days without it
        ("tocilizumab injection", "2026-03-01", True),
        ("tocilizumab injection", "2026-02-12", True),  # 34 days before
        ("tocilizumab injection", "2026-02-11", False),
        # heparin into a vein: 4 h (CHEST 2022, from memory), limit 03:30 on the day of surgery
        ("heparin iv infusion", "2026-03-18T06:30:00-05:00", True),
        ("heparin iv infusion", "2026-03-18T03:30:00-05:00", False),
        ("heparin iv infusion", "2026-03-18", True),  # at no known hour
        ("heparin iv infusion", "2026-03-17", False),
        # why aspirin is taken decides: it may stop for 7 days (bridging table of an ASH journal)
        ("aspirin 325 mg", "2026-03-11", True),
        ("aspirin 325 mg", "2026-03-10", False),
        # 24 h before 07:30
        ("lisinopril 10 mg", "2026-03-17", True),  # at no known hour
        ("lisinopril 10 mg", "2026-03-16", False),
    ],
)
def test_it_is_asked_where_the_days_are_open_and_after_a_limit_on_the_day_itself(
    words: str, on: str, asked: bool
) -> None:
    plain, told = rows(order(words))[0], rows(order(words), dose(words, on))[0]
    assert (ASKED in told.question) is asked
    assert (told.decision, told.last_dose, told.last_limit) == (plain.decision, plain.last_dose, plain.last_limit)


def test_a_dose_of_its_order_after_a_limit_on_the_day_itself_is_too_late() -> None:
    named = {"request": {"reference": "MedicationRequest/o"}}
    late = dose("heparin iv infusion", "2026-03-18T06:30:00-05:00", **named)
    (row,) = rows(order("heparin iv infusion"), late)
    assert row.decision == "ask" and "the last dose was taken after the limit" in row.question
    in_time = dose("heparin iv infusion", "2026-03-18T03:00:00-05:00", **named)
    assert rows(order("heparin iv infusion"), in_time)[0].decision == "time"


def test_it_never_settles_a_question() -> None:
    """A dose that fits the window of adalimumab (14 to 21 days before) is no answer to when it was last given."""
    (row,) = rows(order("adalimumab 40 mg"), dose("adalimumab 40 mg", "2026-03-01"))
    assert row.decision == "ask" and "on which day was it last given" in row.question


def test_of_two_orders_each_asks() -> None:
    both = rows(order("warfarin 5 mg"), order("warfarin 5 mg", "o2"), dose("warfarin 5 mg", "2026-03-15"))
    assert all(ASKED in row.question for row in both) and len(both) == 2


def test_a_dose_that_names_its_order_is_counted_and_not_asked_about() -> None:
    named = {"request": {"reference": "MedicationRequest/o"}}
    (row,) = rows(order("warfarin 5 mg"), dose("warfarin 5 mg", "2026-03-15", **named))
    assert row.decision == "ask" and "the hold cannot be met" in row.question and ASKED not in row.question


def test_a_later_dose_that_is_counted_leaves_nothing_to_ask() -> None:
    named = {"request": {"reference": "MedicationRequest/o"}}
    known = dose("warfarin 5 mg", "2026-03-16", "b", **named)
    (row,) = rows(order("warfarin 5 mg"), dose("warfarin 5 mg", "2026-03-15"), known)
    assert ASKED not in row.question


@pytest.mark.parametrize("status", ["not-done", "entered-in-error", "on-hold", "stopped", "unknown"])
def test_what_was_not_given_asks_nothing(status: str) -> None:
    (row,) = rows(order("warfarin 5 mg"), dose("warfarin 5 mg", "2026-03-15", status=status))
    assert ASKED not in row.question
