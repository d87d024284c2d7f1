"""Both sides of what the other files pass by: joined texts, sums, other operations, how orders are read."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, kidney, moment
from waykeeper.medicines import (
    AcetaminophenDose,
    MedicineRow,
    NamedMedicine,
    acetaminophen_sum,
    check_rules,
    clearance,
    due_day,
    package_rules,
    page,
    patient_facts,
    propose,
    row_from_answer,
)
from waykeeper.medicines.daily_sums import doses_a_day, units_a_dose
from waykeeper.medicines.instructions import safest
from waykeeper.medicines.intervals import Interval
from waykeeper.medicines.met import not_met
from waykeeper.medicines.outcome import Outcome, _told
from waykeeper.medicines.page import how_often
from waykeeper.medicines.ruleset import RXNORM, rule_files
from waykeeper.medicines.status import starts_on
from waykeeper.medicines.words import read_words
from waykeeper.pathway.model import Coding
from waykeeper.plan.model import HoldAnswer
from waykeeper.record.model import Kidney

SURGERY = moment("2026-03-18T07:30")


def row(words: str, anaesthesia: str = "general", **more: Any) -> MedicineRow:
    (found,) = propose([entry({"words": words})], SURGERY, Kidney(), anaesthesia, {}, calendar=CALENDAR, **more)
    return found


# sums of a day


@pytest.mark.parametrize(("mg", "result"), [(3000, "ok"), (3001, "over 3 g"), (4000, "over 3 g"), (4001, "STOP")])
def test_both_sides_of_three_and_four_grams(mg: int, result: str) -> None:
    """4,000 mg in 24 hours (FDA, Health Canada); 3,000 mg is the cautious line."""
    assert acetaminophen_sum([AcetaminophenDose("x", Fraction(mg), Fraction(1))]).result == result


def test_both_sides_of_one_gram_at_once() -> None:
    lines = [acetaminophen_sum([AcetaminophenDose("x", Fraction(mg), Fraction(1))]).lines for mg in (1000, 1001)]
    assert ["x: one dose is over 1000 mg" in found for found in lines] == [False, True]


@pytest.mark.parametrize(
    ("text", "doses"),
    [
        ("once daily", 1),
        ("daily", 1),
        ("every day", 1),
        ("at bedtime", 1),
        ("nightly", 1),
        ("twice daily", 2),
        ("bid", 2),
        ("twice a day", 2),
        ("three times a day", 3),
        ("three times daily", 3),
        ("tid", 3),
        ("four times a day", 4),
        ("four times daily", 4),
        ("qid", 4),
        ("2 time(s) every 1 d", 2),
        ("1 time(s) every 6 h", 4),
        ("1 time(s) every 2 d", Fraction(1, 2)),
        ("1 time(s) every 6 h and 1 time(s) every 8 h", None),
        ("every 4 to 6 hours", 6),
        ("every 0 hours", None),
        ("as needed", None),
        ("bid or tid", None),
        ("1 time(s) every 0 d", None),
    ],
)
def test_the_most_doses_of_a_day(text: str, doses: Any) -> None:
    assert doses_a_day(text) == doses


@pytest.mark.parametrize(
    ("text", "units"), [("two tablets", 2), ("1 to 2 tablets", 2), ("one capsule", 1), ("a spoon", 1), ("8 caplets", 8)]
)
def test_the_units_of_a_dose(text: str, units: int) -> None:
    assert units_a_dose(text) == units


# questions are joined without empty ones


def test_an_answer_that_is_not_understood_asks_and_joins_nothing_empty() -> None:
    asked = row_from_answer(row("metoprolol 50 mg"), HoldAnswer("perhaps", by="Dr Example"), SURGERY)
    assert asked.question == "the answer 'perhaps' by Dr Example has no days or is not known: what is meant?"


@pytest.mark.parametrize(("name", "text", "asks"), [("metoprolol", "", True), ("metoprolol", "slow pulse", False)])
def test_a_pause_of_what_must_not_stop_asks_for_its_reason(name: str, text: str, asks: bool) -> None:
    """Clinical hazard 3: any stop of a beta blocker needs a reason beside the name (ACC/AHA 2014: never abruptly)."""
    answer = HoldAnswer("hold", 5, "Dr Example", text=text, medicine=NamedMedicine(f"{name} 50 mg", (), None, (name,)))
    decided = row_from_answer(row(f"{name} 50 mg"), answer, SURGERY)
    told = "the answer 'hold', 5 days by Dr Example says no reason, and it must not stop without one: why?"
    assert (decided.question.startswith(told), decided.answered) == (asks, not asks)
    assert (decided.missed_days is None) is asks


def test_a_doubtful_status_joins_nothing_empty() -> None:
    (found,) = propose(
        [replace(entry({"words": "metoprolol 50 mg"}), status="draft")],
        SURGERY,
        Kidney(),
        "general",
        {},
        calendar=CALENDAR,
    )
    assert found.question == "the list says draft: is it taken?"


def test_an_order_that_starts_on_the_day_of_surgery_asks_and_one_before_does_not() -> None:
    for start, asks in (("2026-03-18", True), ("2026-03-17", False), ("2026-03-18T08:00:00-05:00", True)):
        ordered = replace(entry({"words": "metoprolol 50 mg"}), resource={"effectivePeriod": {"start": start}})
        (found,) = propose([ordered], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
        assert ("meant for after the operation" in found.question) == asks
    assert starts_on({"effectivePeriod": {"start": "2026-03-18T08:00:00-05:00"}}) == date(2026, 3, 18)


def test_instructions_that_differ_name_every_question_once() -> None:
    one = replace(row("metoprolol 50 mg"), question="a?; b?")
    other = replace(one, question="b?")
    assert safest([one, other], [entry({"words": "metoprolol"})] * 2).question == "a?; b?"
    assert safest([replace(one, question=""), replace(one, question="")], [entry({"words": "x"})] * 2).question == ""


# how the page says an order


@pytest.mark.parametrize(
    ("schedule", "said"),
    [
        ("1 time(s) every 1 d", "once a day"),
        ("2 time(s) every 1 d", "twice a day"),
        ("3 time(s) every 1 d", "3 times a day"),
        ("1 time(s) every 6 h", "every 6 hours"),
        ("1 time(s) every 1 h", "once an hour"),
        ("2 time(s) every 2 wk", "twice every 2 weeks"),
        ("1 time(s) every 1 wk on wed", "once a week on wed"),
        ("1 time(s) every 2 wk on wed", "every 2 weeks on wed"),
        ("one tablet each evening", "one tablet each evening"),
    ],
)
def test_how_often_in_words(schedule: str, said: str) -> None:
    assert how_often(schedule) == said


def test_a_further_instruction_stands_on_the_page() -> None:
    first = replace(
        entry({"words": "warfarin 5 mg"}), dose_text="one tablet", schedule="1 time(s) every 1 d", route="oral"
    )
    second = replace(first, dose_text="half a tablet", route="")
    ordered = replace(first, also=(second,))
    rows = propose([ordered], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    (line,) = page(rows, [ordered], surgery=SURGERY).lines
    assert dict(line.reading)["also 1"] == "half a tablet, once a day"


# what the record says of the patient


@pytest.mark.parametrize(
    ("resource", "stent"),
    [
        ({"resourceType": "Condition", "code": {"coding": [{"code": "Z95.5"}]}}, True),
        ({"resourceType": "Condition", "code": {"text": "Two coronary stents, 2019"}}, True),
        (
            {"resourceType": "Condition", "code": {"coding": [{"code": "x", "display": "Stent in the left artery"}]}},
            True,
        ),
        ({"resourceType": "Procedure", "status": "completed", "code": {"text": "coronary stent"}}, True),
        ({"resourceType": "Procedure", "status": "not-done", "code": {"text": "coronary stent"}}, False),
        ({"resourceType": "Procedure", "status": "entered-in-error", "code": {"text": "coronary stent"}}, False),
        ({"resourceType": "Observation", "status": "final", "code": {"text": "coronary stent"}}, False),
        ({"resourceType": "Condition", "code": {"text": "consistent pain"}}, False),
        ({"resourceType": "Condition", "code": {"coding": [{"code": "Z95.2"}]}}, False),
        ({"resourceType": "Condition"}, False),
        (
            {
                "resourceType": "Condition",
                "verificationStatus": {"coding": [{"code": "refuted"}]},
                "code": {"text": "stent"},
            },
            False,
        ),
        (
            {
                "resourceType": "Condition",
                "verificationStatus": {"coding": [{"code": "confirmed"}]},
                "code": {"text": "stent"},
            },
            True,
        ),
    ],
)
def test_a_stent_of_the_record(resource: dict[str, Any], stent: bool) -> None:
    assert patient_facts([resource]).get("stent", "") == ("yes" if stent else "")


# other operations


def test_the_days_of_an_earlier_operation_are_whole() -> None:
    found = row("warfarin 5 mg", surgeries=[("second knee", moment("2026-03-16T07:30"))])
    assert (found.missed_days, found.last_dose, found.first_missed) == (7, date(2026, 3, 10), date(2026, 3, 11))


def test_of_two_operations_with_one_last_dose_day_the_own_days_and_times_stay() -> None:
    given = {"words": "enoxaparin 40 mg", "indication": ["low-dose-prophylaxis"]}
    other = [("second knee", moment("2026-03-18T07:30"))]
    alone, joined = (
        propose([entry(given)], SURGERY, Kidney(), "general", {}, calendar=CALENDAR, surgeries=surgeries)[0]
        for surgeries in ([], other)
    )
    assert alone.last_limit is not None and "two operations" in joined.question
    assert (joined.last_limit, joined.last_dose, joined.arithmetic) == (
        alone.last_limit,
        alone.last_dose,
        alone.arithmetic,
    )


def test_what_only_continues_meets_no_other_operation() -> None:
    """The weekly methotrexate continues: its usual day is shown, and that is no pause."""
    weekly = entry({"words": "methotrexate 15 mg", "period": "7", "weekday": "3"})
    (found,) = propose(
        [weekly], SURGERY, Kidney(), "general", {}, calendar=CALENDAR, surgeries=[("other", moment("2026-03-16T07:30"))]
    )
    assert (found.decision, found.question, found.alternatives) == ("continue", "", ())
    undated = row("phenelzine 15 mg", surgeries=[("other", moment("2026-03-16T07:30"))])
    assert "two operations" not in undated.question


# limits


def test_a_hold_is_met_up_to_its_last_dose_day() -> None:
    assert not_met(5, date(2026, 3, 18), date(2026, 3, 12)) is None
    broken = not_met(5, date(2026, 3, 18), date(2026, 3, 13))
    assert broken is not None
    assert (broken.needed_days, broken.possible_days, broken.earliest_surgery) == (5, 4, date(2026, 3, 19))


def test_an_ideal_weight_of_nothing_is_not_shown() -> None:
    """50 + 2.3 x (inches - 60) for men is 0 at 97.18 cm, computed."""
    small = {"kidney": {"creatinine": "1.0", "unit": "mg/dL", "weight": "30", "born": "1958-01-01", "sex": "male"}}
    zero = replace(kidney(small, SURGERY.day), height_cm=None)
    assert clearance(zero, SURGERY.day).beside == ()
    for cm, shown in (("90", 0), ("100", 2)):
        got = clearance(kidney({"kidney": {**small["kidney"], "height": cm}}, SURGERY.day), SURGERY.day)
        assert len(got.beside) == shown


def test_a_creatinine_is_stale_after_thirty_days_and_refused_after_ninety() -> None:
    days = {
        "2026-02-16": (False, True),
        "2026-02-15": (True, True),
        "2025-12-18": (True, True),
        "2025-12-17": (False, False),
    }
    for on, (stale, usable) in days.items():
        given = {"creatinine": "1.0", "unit": "mg/dL", "weight": "70", "born": "1958-01-01", "sex": "male", "on": on}
        got = clearance(kidney({"kidney": given}, SURGERY.day), SURGERY.day)
        assert (got.stale, got.usable is not None) == (stale, usable), on


def test_a_proposal_waits_from_fourteen_days_before_and_earlier_for_long_holds() -> None:
    """Hazard table: day of surgery - 14, or 3 working days before the last dose; oestrogen N = 28 computed."""
    bare = row("metoprolol 50 mg")
    assert due_day(bare, SURGERY.day, CALENDAR) == date(2026, 3, 4)
    long = replace(bare, decision="hold", missed_days=28, last_dose=date(2026, 2, 17))
    assert due_day(long, SURGERY.day, CALENDAR) == date(2026, 2, 11)
    beyond = replace(long, last_dose=date(1990, 1, 10))
    assert due_day(beyond, SURGERY.day, CALENDAR) == date(1990, 1, 3)


# reading of words and rule files


def test_six_words_are_the_longest_name() -> None:
    longest = max(len(name.split()) for name in package_rules().names)
    assert longest <= 6
    assert read_words("insulin human nph pen", package_rules()).ingredients == ("insulin nph",)


def test_no_word_after_a_number_or_an_unknown_word_is_passed_by() -> None:
    after_number = read_words("warfarin 5 zzzmab", package_rules())
    assert (after_number.ingredients, after_number.left) == (("warfarin",), ("zzzmab",))
    after_unknown = read_words("zzzmab warfarin yyymab xxxmab", package_rules())
    assert (after_unknown.ingredients, after_unknown.left) == (("warfarin",), ("zzzmab", "yyymab", "xxxmab"))


def test_an_unrecognised_row_says_what_it_is_not() -> None:
    asked = row("zzzmab")
    assert [f.details for f in asked.findings] == ["'zzzmab' is not recognised as any medicine of the rules"]
    empty = row("")
    assert [f.details for f in empty.findings] == ["'(no words)' is not recognised as any medicine of the rules"]
    near = row("prasugrell")
    assert [f.details for f in near.findings] == ["'prasugrell' looks like prasugrel"]


def test_the_longest_plausible_hold_of_a_near_name_counts() -> None:
    assert row("piroxicamm 20 mg").longest_days == 28
    assert row("zzzmab").longest_days == 28


def test_only_rule_files_are_rule_files() -> None:
    names = [f.name for f in rule_files()]
    assert all(n.endswith(".yaml") for n in names) and len(names) == 16 and names == sorted(names)


RULE = """\
group: invented
title: Invented
ingredients: {waymide: {}}
rules:
  waymide:
    for: [waymide]
    source: invented
    year: 2026
    confidence: L
    restart: when eating
    restart_by: prescriber
    tests: [T01]
    cases:
      - {CASE}
"""


@pytest.mark.parametrize(
    ("case", "codes"),
    [
        ("{decision: hold, missed_days: 0}", []),
        ("{decision: hold, missed_days: 365}", []),
        ("{decision: hold, missed_days: 366}", ["WKP"]),
        ("{decision: hold, hours: 1}", []),
        ("{decision: hold, hours: 0}", ["WKP"]),
        ("{decision: hold, hours: 240}", []),
        ("{decision: hold, hours: 241}", ["WKP"]),
        ("{decision: hold, cycle_months: 1}", []),
        ("{decision: hold, cycle_months: 0}", ["WKP"]),
        ("{decision: hold, cycle_months: 24}", []),
        ("{decision: hold, cycle_months: 25}", ["WKP"]),
        ("{decision: hold, cycle_days: [8, 14]}", []),
        ("{decision: hold, cycle_days: [8, 8]}", []),
        ("{decision: hold, cycle_days: [9, 8]}", ["WKM"]),
        ("{decision: hold, cycle_days: [8]}", ["WKM"]),
        ("{decision: hold, missed_days: 2, hours: 4}", ["WKM"]),
        ("{decision: continue, missed_days: 2}", ["WKM"]),
        ("{missed_days: 2}", ["WKP"]),
        ("{decision: ask}", ["WKM"]),
        ("{decision: ask, question: why}", []),
    ],
)
def test_the_limits_of_a_case(case: str, codes: list[str]) -> None:
    found = check_rules("invented.yaml", RULE.replace("{CASE}", case).encode())
    assert [f.code[:3] for f in found] == codes, found


def test_a_creatinine_of_the_day_of_surgery_counts_and_one_after_it_does_not() -> None:
    for on, usable in (("2026-03-18", True), ("2026-03-19", False)):
        given = {"creatinine": "1.0", "unit": "mg/dL", "weight": "70", "born": "1958-01-01", "sex": "male", "on": on}
        assert (clearance(kidney({"kidney": given}, SURGERY.day), SURGERY.day).usable is not None) == usable


def test_what_is_above_nothing_counts() -> None:
    """A weight or creatinine of nothing is no value; half a kilogram and half a milligram are above it."""
    for creatinine, weight, usable in (("0.5", "0.5", True), ("0", "70", False), ("1.0", "0", False)):
        given = {"creatinine": creatinine, "unit": "mg/dL", "weight": weight, "born": "1958-01-01", "sex": "male"}
        assert (clearance(kidney({"kidney": given}, SURGERY.day), SURGERY.day).usable is not None) == usable


WARFARIN_CODE = "11289"


def coded(words: str, *codes: Coding) -> MedicineRow:
    given = replace(entry({"words": words}), codes=codes)
    (found,) = propose([given], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    return found


def test_a_known_code_with_its_words_is_not_in_doubt() -> None:
    found = coded("warfarin 5 mg", Coding(RXNORM, WARFARIN_CODE))
    assert found.ingredients == ("warfarin",)
    assert not any("could not be verified" in note for note in found.notes)


def test_an_unknown_code_says_nothing() -> None:
    assert coded("warfarin 5 mg", Coding(RXNORM, "99999999")).ingredients == ("warfarin",)


@pytest.mark.parametrize("display", ["", "ASA 100 TAB", "aspirin"])
def test_a_code_of_another_system_says_nothing_even_with_the_same_number(display: str) -> None:
    other = coded("aspirin 100 mg", Coding("urn:oid:1.2.3", WARFARIN_CODE, display))
    assert (other.ingredients, other.findings) == (("aspirin",), ())


def test_its_display_may_contradict_the_words() -> None:
    """A mismatched pair of name and code is refused, whose code it is (public data carry such pairs)."""
    other = coded("aspirin 100 mg", Coding("urn:oid:1.2.3", "1", "warfarin"))
    assert not other.recognised and "name different medicines: warfarin / aspirin" in other.question


def test_a_display_that_is_not_understood_as_a_whole_does_not_classify() -> None:
    """Without words of its own, a row is no warfarin because a part of its display says so."""
    assert coded("", Coding(RXNORM, "99999999", "warfarin 5 mg")).ingredients == ("warfarin",)
    assert not coded("", Coding(RXNORM, "99999999", "warfarin zzzmab 5 mg")).recognised


def test_the_reading_says_nothing_empty() -> None:
    for given, route in (({"route": "oral"}, "oral"), ({"form": "tablet"}, "tablet"), ({}, None)):
        taken = entry({"words": "warfarin 5 mg", **given})
        rows = propose([taken], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
        (line,) = page(rows, [taken], surgery=SURGERY).lines
        assert dict(line.reading).get("route") == route
        assert all(text for _, text in line.reading)


def test_days_are_told_beside_only_where_something_is_missed() -> None:
    """A weekly medicine that continues has a usual day, but misses none."""
    usual = date(2026, 3, 16)
    assert _told(Outcome("continue", "", "", interval=Interval(last_dose=usual)), "needle") == ()
    missed = Interval(missed_days=1, last_dose=usual)
    assert _told(Outcome("hold", "", "", interval=missed), "needle") == ("needle: N = 1, last dose Mon 2026-03-16",)
