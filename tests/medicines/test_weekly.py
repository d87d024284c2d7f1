"""A weekly medicine ordered daily. ISMP, Targeted Medication Safety Best Practices for Hospitals (methotrexate)."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, moment, row_of
from waykeeper.medicines import MedicineRow, propose
from waykeeper.record import read
from waykeeper.record.model import Kidney

SURGERY = moment("2026-03-18T07:30")  # a Wednesday
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
DAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def ordered(words: str, *dosages: dict[str, Any], anaesthesia: str = "general") -> MedicineRow:
    order = {
        "resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": words}, "dosageInstruction": list(dosages),
    }  # fmt: skip
    medicines = read([PATIENT, ("MedicationRequest/1", order)]).medicines
    (row,) = propose(medicines, SURGERY, Kidney(), anaesthesia, {"glp1": "ASA2023_HOLD"}, calendar=CALENDAR)
    return row


def repeat(**fields: Any) -> dict[str, Any]:
    return {"timing": {"repeat": fields}}


OFTEN = {
    "once a day": repeat(frequency=1, period=1, periodUnit="d"),
    "seven a week": repeat(frequency=7, period=1, periodUnit="wk"),
    "twice a week": repeat(frequency=2, period=1, periodUnit="wk"),
    "up to three a week": repeat(frequency=1, frequencyMax=3, period=1, periodUnit="wk"),
    "every 24 hours": repeat(frequency=1, period=24, periodUnit="h"),
    "every other day": repeat(frequency=1, period=2, periodUnit="d"),
    "each day of the week": repeat(dayOfWeek=DAYS, frequency=1, period=1, periodUnit="wk"),
    "three days of the week": repeat(dayOfWeek=DAYS[:3]),
    "coded": {"timing": {"code": {"coding": [{"code": "QD"}]}}},
    "in words": {"text": "10 mg daily"},
    "number in words": {"text": "one tablet 7 times per week"},
    "twice weekly": {"text": "one tablet twice weekly"},
    "coded as each morning": {"timing": {"code": {"coding": [{"code": "AM"}]}}},
    "od": {"text": "one tablet OD"},
    "b.d.": {"text": "2.5 mg b.d."},
    "tds": {"text": "TDS"},
    "by the parts of a day": {"text": "1-0-1"},
    "each morning": {"text": "each morning"},
    "nocte": {"text": "1 tablet nocte"},
    "by the hours, in British words": {"text": "2.5 mg 24 hourly"},
    "each am": {"text": "2.5 mg each am"},
    "in the am": {"text": "2.5 mg in the a.m."},
    "qAM": {"text": "1 tab qAM"},
    "by the clock": repeat(timeOfDay=["08:00:00"]),
    "weekly and daily": {"text": "one tablet daily", **repeat(frequency=1, period=1, periodUnit="wk")},
}
WEEKLY = {
    "once a week": repeat(frequency=1, period=1, periodUnit="wk"),
    "every 7 days": repeat(frequency=1, period=7, periodUnit="d"),
    "on Mondays": repeat(dayOfWeek=["mon"]),
    "each day that is a Monday": repeat(dayOfWeek=["mon"], frequency=1, period=1, periodUnit="d"),
    "twice in two weeks": repeat(frequency=2, period=2, periodUnit="wk"),
    "in words": {"text": "four tablets of 2.5 mg once a week, on Monday"},
    "milligrams of a week": {"text": "10 mg per week"},
    "in the morning of a weekday": {"text": "15 mg in the morning on Mondays"},
    "weekly at night": {"text": "once weekly, nocte"},
    "weekly in the am": {"text": "once weekly in the am"},
    "weekly by the clock": {"text": "in the morning", **repeat(frequency=1, period=1, periodUnit="wk")},
    "by its day and clock": repeat(dayOfWeek=["mon"], timeOfDay=["08:00:00"]),
    "with a syringe": {"text": "with BD syringe"},
    "of a date": {"text": "since 1-3-2024"},
    "nothing said": {},
}


@pytest.mark.parametrize("how", OFTEN)
def test_methotrexate_more_often_than_weekly_is_never_a_quiet_continue(how: str) -> None:
    row = ordered("methotrexate 10 mg tablet", OFTEN[how])
    assert (row.decision, row.recognised, row.ingredients) == ("ask", False, ("methotrexate",))
    assert (
        "methotrexate is taken once a week, but the order has it more often; taken daily it has killed" in row.question
    )
    assert "WKM205" in {f.code for f in row.findings}


@pytest.mark.parametrize("how", WEEKLY)
def test_methotrexate_weekly_continues(how: str) -> None:
    """2022 ACR/AAHKS guideline: methotrexate continues."""
    row = ordered("methotrexate 10 mg tablet", WEEKLY[how])
    assert (row.decision, row.recognised, row.findings) == ("continue", True, ())


@pytest.mark.parametrize(
    "words", ["methotrexate 10 mg daily", "methotrexate 15 mg injection every day", "methotrexate 2.5 mg bid"]
)
def test_the_words_of_the_row_count(words: str) -> None:
    assert "more often" in row_of({"words": words}).question


def test_a_second_instruction_counts() -> None:
    row = ordered("methotrexate 10 mg tablet", WEEKLY["once a week"], OFTEN["once a day"])
    assert "more often" in row.question


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        ("semaglutide 1 mg pen", True),
        ("semaglutide 7 mg tablet", False),  # by mouth it is a daily medicine (label)
        ("dulaglutide 1.5 mg", True),
        ("tirzepatide 5 mg injection", True),
        ("liraglutide 1.8 mg pen", False),  # a daily medicine (label)
        ("folic acid 1 mg tablet", False),
        ("alendronate 10 mg tablet", False),  # there is a daily strength (label)
    ],
)
def test_weekly_is_known_by_medicine_and_form(words: str, asked: bool) -> None:
    assert ("more often" in ordered(words, OFTEN["once a day"]).question) is asked


@pytest.mark.parametrize(("day", "said"), [("wed", True), ("thu", False)])
def test_a_weekly_dose_day_on_the_day_of_surgery_is_said(day: str, said: bool) -> None:
    note = "its weekly dose day, Wed, is the day of surgery"
    row = ordered("methotrexate 10 mg tablet", repeat(dayOfWeek=[day], period=1, periodUnit="wk"))
    assert (row.decision, note in row.notes) == ("continue", said)
    held = ordered("semaglutide 1 mg pen", repeat(dayOfWeek=[day], period=1, periodUnit="wk"))
    assert (held.decision, note in held.notes) == ("hold", said)
