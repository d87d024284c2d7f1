"""Sums of a day, weaning, supply, restarts, the day on which an unanswered hold is a gap."""

from __future__ import annotations

from datetime import date, time
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from medicines.case_files import CALENDAR, ZONE, entry, load, moment
from waykeeper.medicines import (
    AcetaminophenDose,
    MedicineRow,
    OpioidDose,
    WeanPhase,
    acetaminophen_sum,
    cefazolin_grams,
    check_weaning,
    days_of_supply_left,
    doses_in_24_hours,
    due_day,
    naltrexone_restart,
    next_allowed,
    opioid_sum,
    propose,
    restart_rows,
    supply_ends,
    vancomycin_mg,
    weaning_calendar,
)
from waykeeper.medicines.doses import recorded
from waykeeper.medicines.opioids import NALOXONE_PROMPTS, factor_table
from waykeeper.medicines.weaning import TEMPLATE, TEMPLATE_OFF, tablets
from waykeeper.record.model import Kidney
from waykeeper.timing import Moment

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


def test_naloxone_prompts_below_fifty() -> None:
    dose = [OpioidDose("oxycodone", Fraction(5), Fraction(4))]
    assert len(opioid_sum(dose, risks=list(NALOXONE_PROMPTS)).prompts) == len(NALOXONE_PROMPTS)
    assert opioid_sum([], risks=["sleep-apnoea"]).prompts == ()


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


@pytest.mark.parametrize(("name", "given"), DATA["weaning"].items(), ids=list(DATA["weaning"]))
def test_weaning(name: str, given: dict[str, Any]) -> None:
    phases = [WeanPhase(int(a), int(b), Fraction(n)) for a, b, n in given["phases"]]
    assert tablets(phases) == Fraction(given["tablets"])
    assert sorted({f.code for f in check_weaning(phases, int(given["off"]))}) == given["codes"]


def test_the_uncovered_day_is_named() -> None:
    phases = [WeanPhase(int(a), int(b), Fraction(n)) for a, b, n in DATA["weaning"]["T78"]["phases"]]
    assert [f.details for f in check_weaning(phases, 14) if f.code == "WKM401"] == [
        "day 13 after surgery is in no phase"
    ]


def test_a_phase_past_the_end_is_named() -> None:
    found = check_weaning([WeanPhase(0, 6, Fraction(3))], 6)
    assert [f.details for f in found] == ["the phase of days 0 to 6 runs past the last day 5"]


def test_the_template_is_clean_and_dated() -> None:
    """Clinic setting: MME 45, 22.5, 15, 7.5 and off on day 14, Wed 2026-04-01."""
    assert check_weaning(TEMPLATE, TEMPLATE_OFF) == []
    days = weaning_calendar(TEMPLATE, SURGERY.day, Fraction("7.5"))
    assert [d.day for d in days] == [date.fromordinal(SURGERY.day.toordinal() + n) for n in range(14)]
    assert [float(days[n].mme) for n in (0, 3, 6, 10)] == [45, 22.5, 15, 7.5]
    assert days[-1].day == date(2026, 3, 31)


@pytest.mark.parametrize(("name", "given"), DATA["weights"].items(), ids=list(DATA["weights"]))
def test_weight_doses(name: str, given: dict[str, Any]) -> None:
    kg = Decimal(given["kg"])
    assert cefazolin_grams(kg) == int(given["cefazolin"])
    if "vancomycin" in given:
        exact, near = given["vancomycin"]
        assert vancomycin_mg(kg) == (Decimal(exact), int(near))


@pytest.mark.parametrize("dose", [cefazolin_grams, vancomycin_mg])
def test_weight_must_be_above_nothing(dose: Any) -> None:
    with pytest.raises(ValueError, match="above 0"):
        dose(Decimal(0))


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


def test_next_allowed() -> None:
    at = Moment(date(2026, 3, 20), time(8), ZONE)
    assert str(next_allowed(at, Fraction(6))) == "2026-03-20T14:00:00-05:00"
    assert str(next_allowed(at, Fraction(1, 3))) == "2026-03-20T08:20:00-05:00"


def test_next_allowed_rounds_up_to_the_minute() -> None:
    at = Moment(date(2026, 3, 20), time(8), ZONE)
    assert str(next_allowed(at, Fraction(1, 7))) == "2026-03-20T08:09:00-05:00"


def test_next_allowed_in_the_repeated_hour_is_the_later_reading() -> None:
    """Derived: nothing happens too soon; 01:30 stands twice on 2026-11-01 in America/Chicago."""
    at = Moment(date(2026, 10, 31), time(21, 30), ZONE)
    assert str(next_allowed(at, Fraction(4))) == "2026-11-01T01:30:00-06:00"
    taken = recorded(Moment(date(2026, 11, 1), time(1, 30)), ZONE)
    assert str(taken) == "2026-11-01T01:30:00-06:00"
    assert str(next_allowed(taken, Fraction(4))) == "2026-11-01T05:30:00-06:00"


def test_next_allowed_needs_a_time() -> None:
    with pytest.raises(ValueError, match="a day is not enough"):
        next_allowed(Moment(date(2026, 3, 20)), Fraction(6))
    with pytest.raises(ValueError, match="a day is not enough"):
        next_allowed(Moment(date(2026, 3, 20), time(8)), Fraction(6))  # no zone
    with pytest.raises(ValueError, match="a day is not enough"):
        next_allowed(Moment(date(2026, 3, 20), zone=ZONE), Fraction(6))


def test_supply() -> None:
    filled = date(2026, 3, 19)
    assert supply_ends(filled, Fraction(30), Fraction(6)) == date(2026, 3, 23)
    assert supply_ends(filled, Fraction(35), Fraction(6)) == date(2026, 3, 23)
    assert days_of_supply_left(date(2026, 3, 19), filled, Fraction(30), Fraction(6)) == 5
    assert days_of_supply_left(date(2026, 3, 23), filled, Fraction(30), Fraction(6)) == 1
    assert days_of_supply_left(date(2026, 3, 24), filled, Fraction(30), Fraction(6)) == 0
    assert supply_ends(filled, Fraction(6), Fraction(6)) == filled
    with pytest.raises(ValueError, match="cover a day"):
        supply_ends(filled, Fraction(6), Fraction(0))
    with pytest.raises(ValueError, match="cover a day"):
        supply_ends(filled, Fraction(1), Fraction(6))


def rows(*words: str) -> tuple[MedicineRow, ...]:
    entries = [entry({"words": w}, f"row-{n}") for n, w in enumerate(words)]
    return propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)


def test_cancelled_surgery_gives_a_restart_row_for_every_stop() -> None:
    """T84, derived: warfarin and empagliflozin stopped, then surgery is cancelled."""
    got = restart_rows(rows("warfarin 5 mg", "empagliflozin 10 mg", "metoprolol 50 mg"), cancelled_on=date(2026, 3, 16))
    assert [r.words for r in got] == ["warfarin 5 mg", "empagliflozin 10 mg"]
    assert {r.earliest for r in got} == {date(2026, 3, 16)}
    assert {r.owner for r in got} == {"prescriber"}
    assert all("cancelled" in r.restart for r in got)


def test_restart_rows_without_cancelling_keep_gate_day_and_owner() -> None:
    (row,) = restart_rows(rows("apixaban 5 mg", "metoprolol 50 mg"))
    assert (row.earliest, row.owner) == (date(2026, 3, 20), "surgeon")
    assert "bleeding is controlled" in row.restart


def test_restart_rows_of_what_was_really_stopped() -> None:
    got = restart_rows(rows("warfarin 5 mg", "metoprolol 50 mg"), stopped=["row-1"])
    assert [(r.words, r.owner) for r in got] == [("metoprolol 50 mg", "prescriber")]
    assert got[0].restart


def test_naltrexone_restart() -> None:
    """T63, label from memory: 7 to 10 opioid-free days after the last opioid really taken."""
    assert naltrexone_restart(date(2026, 3, 31)) == (date(2026, 4, 8), date(2026, 4, 11))
