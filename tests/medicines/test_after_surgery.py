"""Sums of a day, and the day on which an unanswered hold is a gap."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from medicines.case_files import CALENDAR, ZONE, load, moment
from waykeeper.medicines import (
    AcetaminophenDose,
    MedicineRow,
    OpioidDose,
    acetaminophen_sum,
    doses_in_24_hours,
    due_day,
    opioid_sum,
)
from waykeeper.medicines.opioids import factor_table

DATA = load("after_surgery.yaml")
SURGERY = moment("2026-03-18T07:30")


@pytest.mark.parametrize(("name", "given"), DATA["opioids"].items(), ids=list(DATA["opioids"]))
def test_mme(name: str, given: dict[str, Any]) -> None:
    got = opioid_sum([OpioidDose(s, Fraction(a), Fraction(n)) for s, a, n in given["doses"]])
    assert got.mme == Fraction(given["mme"])
    reaches = Fraction(given["mme"]) >= 50
    assert any("offer naloxone" in p for p in got.prompts) == reaches


def test_the_factor_table_is_the_one_of_2022() -> None:
    assert factor_table()["table"] == "CDC 2022"
    stale = {"hydromorphone": "4", "tramadol": "0.1"}  # the 2016 table, CDC/ONC files
    assert {n: factor_table()["factors"][n] for n in stale} == {"hydromorphone": "5", "tramadol": "0.2"}


def test_buprenorphine_has_no_factor_and_is_named() -> None:
    got = opioid_sum([OpioidDose("buprenorphine", Fraction(8), Fraction(2)), OpioidDose("morphine", Fraction(15))])
    assert (got.mme, got.uncounted) == (15, ("buprenorphine",))
    assert "buprenorphine: no factor, not counted" in got.lines


def test_the_lines_of_a_sum_can_be_followed() -> None:
    """M9 and M4, CDC 2022 factors."""
    got = opioid_sum([OpioidDose("fentanyl patch", Fraction(25)), OpioidDose("oxycodone", Fraction(5), Fraction(6))])
    assert got.lines == ("fentanyl patch: 25 mcg/h x 1 x 2.4 = 60 MME", "oxycodone: 5 mg x 6 x 1.5 = 45 MME")


def test_fifty_is_the_line() -> None:
    below = opioid_sum([OpioidDose("morphine", Fraction("49.9"))])
    at = opioid_sum([OpioidDose("morphine", Fraction(50))])
    assert (below.prompts, len(at.prompts)) == ((), 1)


def test_as_needed_counts_the_most_that_the_label_allows() -> None:
    """CDC 2022: every 4 hours is 6 a day, every 6 is 4, every 4 to 6 is 6."""
    assert doses_in_24_hours([Fraction(4)]) == 6
    assert doses_in_24_hours([Fraction(6)]) == 4
    assert doses_in_24_hours([Fraction(1)]) == 24
    assert doses_in_24_hours([Fraction(4), Fraction(6)]) == 6
    with pytest.raises(ValueError, match="longer than nothing"):
        doses_in_24_hours([Fraction(0)])


@pytest.mark.parametrize(("name", "given"), DATA["acetaminophen"].items(), ids=list(DATA["acetaminophen"]))
def test_acetaminophen(name: str, given: dict[str, Any]) -> None:
    got = acetaminophen_sum([AcetaminophenDose("product", Fraction(mg), Fraction(n)) for mg, n in given["products"]])
    assert (got.mg, got.result) == (Fraction(given["mg"]), given["result"])


def test_a_single_dose_over_one_gram_is_named() -> None:
    """FDA: at most 1,000 mg in one dose."""
    over = acetaminophen_sum([AcetaminophenDose("A", Fraction(1001), Fraction(1))])
    assert "A: one dose is over 1000 mg" in over.lines
    at = acetaminophen_sum([AcetaminophenDose("A", Fraction(1000), Fraction(1))])
    assert not any("one dose is over" in line for line in at.lines)


@pytest.mark.parametrize(("name", "given"), DATA["due"].items(), ids=list(DATA["due"]))
def test_due_day(name: str, given: dict[str, Any]) -> None:
    row = MedicineRow("k", "", "w", "hold", True, missed_days=1, last_dose=date.fromisoformat(given["last"]))
    assert due_day(row, SURGERY.day, CALENDAR) == date.fromisoformat(given["due"])


def test_due_day_of_a_row_without_a_rule_counts_from_the_longest_hold() -> None:
    row = MedicineRow("k", "", "w", "ask", False, longest_days=28)
    assert due_day(row, SURGERY.day, CALENDAR) == date(2026, 2, 11)
    twelve = MedicineRow("k", "", "w", "ask", False, longest_days=12)
    assert due_day(twelve, SURGERY.day, CALENDAR) == date(2026, 3, 2)  # as oxaprozin N=12


def test_due_day_beyond_the_calendar_is_earlier_not_an_error() -> None:
    from waykeeper.timing import calendar_for

    short = calendar_for("US", [2026], zone=ZONE)
    row = MedicineRow("k", "", "w", "hold", True, missed_days=400, last_dose=date(2024, 5, 15))
    assert due_day(row, SURGERY.day, short) == date(2024, 5, 8)
