"""Details that decide what a row says: what is joined, what is left out, which of two equal things counts."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, kidney, moment, row_of
from waykeeper.findings import Finding, catalogue, finding
from waykeeper.medicines import (
    MedicineRow,
    WeanPhase,
    cefazolin_grams,
    check_policies,
    check_rules,
    check_weaning,
    clearance,
    package_rules,
    page,
    propose,
    ruleset,
    supply_ends,
    vancomycin_mg,
)
from waykeeper.medicines.indications import indications_of
from waykeeper.medicines.instructions import safest
from waykeeper.medicines.intervals import hours_before
from waykeeper.medicines.model import HalfLife, Ingredient, Rule
from waykeeper.medicines.nsaids import nsaid_days
from waykeeper.medicines.other_surgeries import planned_with
from waykeeper.medicines.outcome import Outcome
from waykeeper.medicines.pairs import pair_table
from waykeeper.medicines.rule_table import END, START, rule_table, with_table
from waykeeper.medicines.ruleset import RXNORM, rule_files
from waykeeper.medicines.words import Reading, near_names, normal, normalise
from waykeeper.pathway.model import Coding
from waykeeper.record.model import Kidney, MedicineEntry

RULES = package_rules()
LIQUID = "liquid diet for the 24 hours before surgery"
UNSAID = catalogue()["WKM108"].help
SURGERY = moment("2026-03-18T07:30")


def rows(*texts: str, **more: Any) -> tuple[MedicineRow, ...]:
    entries = [entry({"words": w}, f"row-{n}") for n, w in enumerate(texts)]
    return propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR, **more)


# words and names


def test_an_accent_inside_a_word_is_no_gap() -> None:
    assert normalise("acétaminophène") == "acetaminophene"


def test_a_word_that_the_tables_do_not_hold_is_made_plain_too() -> None:
    assert normal("Zorblix-Forte") == "zorblix forte"


def test_a_reading_is_whole_unless_something_was_left_or_turned() -> None:
    assert Reading(("warfarin",)).whole
    assert not Reading(("warfarin",), turned=True).whole


def test_two_wrong_letters_are_near_and_three_are_not() -> None:
    """A name is offered up to four letters that only one of the two has; a sieve before the slower comparison."""
    assert near_names(("rizarokaban",), RULES) == ("rivaroxaban",)
    assert near_names(("bcndaparinuxe",), RULES) == ()


def test_four_letters_may_be_near_a_name_and_three_may_not() -> None:
    assert near_names(("cbdx",), RULES) == ("cannabis",)
    assert near_names(("cbx",), RULES) == ()


def test_two_names_at_most_are_offered_and_none_that_is_three_letters_longer_or_shorter() -> None:
    """Five names of SGLT2 inhibitors look alike."""
    assert near_names(("cnagliflozin",), RULES) == ("canagliflozin", "sotagliflozin")
    assert near_names(("hydroxychloroqui",), RULES) == ("hydroxychloroquine",)
    assert near_names(("hydroxychloroqu",), RULES) == ()
    assert near_names(("hydroxychloroquinexy",), RULES) == ("hydroxychloroquine",)
    assert near_names(("hydroxychloroquinexxy",), RULES) == ()


@pytest.mark.parametrize(("day", "weekday"), [("tues", 1), ("tuesday", 1), ("thurs", 3), ("thur", 3), ("mondays", 0)])
def test_a_weekday_may_be_cut_short(day: str, weekday: int) -> None:
    """Methotrexate continues: its last usual day before Wednesday 2026-03-18, computed."""
    usual = {1: date(2026, 3, 17), 3: date(2026, 3, 12), 0: date(2026, 3, 16)}
    assert row_of({"words": "methotrexate 15 mg", "schedule": f"weekly on {day}"}).last_dose == usual[weekday]


def test_a_code_without_a_number_is_no_medicine() -> None:
    assert not row_of({"words": ""}).recognised
    blank = replace(entry({"words": ""}), codes=(Coding(RXNORM, ""),))
    (row,) = propose([blank], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    assert not row.recognised


def test_what_was_not_understood_is_named_beside_what_was() -> None:
    asks = "needs review, the prescriber must decide: "
    assert row_of({"words": "warfarin 5 mg zzzmab"}).question == (
        f"{asks}beside warfarin there are words that were not understood: zzzmab"
    )
    assert row_of({"words": "zzzmab"}).question == f"{asks}not recognised"


@pytest.mark.parametrize(("display", "said"), [("apixaban", "11289 (apixaban)"), ("", "11289")])
def test_a_conflict_names_the_code_as_it_stands(display: str, said: str) -> None:
    words = "warfarin 5 mg" if display else "apixaban 5 mg"
    (found,) = row_of({"words": words, "code": "11289", "display": display}).findings
    assert found.details.startswith(f"code {said} and the words {words!r} name different medicines")


@pytest.mark.parametrize(("status", "notes"), [("stopped", ("the list says stopped",)), ("active", ())])
def test_a_row_that_is_not_recognised_says_that_it_has_ended(status: str, notes: tuple[str, ...]) -> None:
    assert row_of({"words": "zzzmab", "status": status}).notes == notes


def test_a_diagnosis_that_no_rule_asks_for_says_nothing_of_the_reason() -> None:
    """ICD-10-CM: M10.9 gout, I48.91 atrial fibrillation."""
    for code, reason in (("M10.9", "unknown"), ("I48.91", "atrial-fibrillation")):
        given = MedicineEntry(key="a", indication=(f"http://hl7.org/fhir/sid/icd-10-cm|{code}",))
        assert indications_of(given) == {reason}


def test_what_a_row_that_no_rule_may_answer_is_about_stays_named() -> None:
    """`allergy` turns the words: warfarin is known, but may not be taken; beside unknown words nothing is certain."""
    got = rows("warfarin allergy", "warfarin 5 mg zzzmab")
    assert [(r.recognised, r.ingredients) for r in got] == [(False, ("warfarin",)), (False, ())]


def test_a_way_whose_code_is_not_known_says_nothing() -> None:
    plain = entry({"words": "diclofenac 50 mg tablet"})
    coded = replace(plain, ways=("http://snomed.info/sct|000",))
    one, other = (
        propose([plain], SURGERY, Kidney(), "general", {}, calendar=CALENDAR),
        propose([coded], SURGERY, Kidney(), "general", {}, calendar=CALENDAR),
    )
    assert one == other


def test_a_weekly_medicine_that_is_ordered_daily_asks_that_alone() -> None:
    """ISMP, Targeted Medication Safety Best Practices for Hospitals (methotrexate)."""
    (row,) = rows("methotrexate 2.5 mg tablet daily")
    assert row.question.endswith(": ask the prescriber at once")


# days and hours


def test_hours_before_a_day_without_time_are_whole_days_upwards() -> None:
    """Computed: 24 h are one day, 25 h two."""
    day = moment("2026-03-18")
    assert [hours_before(h, day, entry({"words": "x"})).missed_days for h in (24, 25, 48, 49)] == [1, 2, 2, 3]


def test_of_two_intervals_to_ask_about_the_longer_counts() -> None:
    """Dabigatran with an unknown clearance: 4 days, before a needle 5 (ASRA timing table, copy)."""
    row = row_of({"words": "dabigatran 150 mg", "anaesthesia": "spinal"})
    assert (row.decision, row.missed_days, row.last_dose) == ("ask", 5, date(2026, 3, 12))
    assert row.alternatives == ("without a needle: N = 4, last dose Fri 2026-03-13",)


def test_the_window_of_a_cycle_is_asked_once() -> None:
    """Adalimumab every two weeks: week 3 of the cycle, 15 to 21 days before (ACR/AAHKS 2022)."""
    row = row_of({"words": "adalimumab 40 mg pen", "last_taken": "2026-03-10"})
    assert row.question == "too recent for this surgery day: rheumatology and surgeon decide whether the day is moved"
    assert row.alternatives == ("earliest surgery by the rule: Wed 2026-03-25",)


def test_the_longest_interval_of_a_weekly_dose_is_the_rules_own_where_both_end_on_one_day() -> None:
    """Computed: 5 and 7 missed days before Wed 2026-03-18 both leave Mon 2026-03-09 as the last Monday."""
    given = {"words": "warfarin 5 mg", "period": "7", "weekday": "0", "policies": {"blood_thinners": "BLANKET_7D"}}
    row = row_of(given)
    assert (row.decision, row.missed_days, row.last_dose) == ("ask", 5, date(2026, 3, 9))


def test_a_limit_on_the_day_itself_meets_no_other_operation() -> None:
    """Heparin in the vein stops four hours before; before an operation at 01:00 that is the day before."""
    (row,) = rows("heparin sodium infusion", surgeries=[("second knee", moment("2026-03-19T01:00"))])
    assert (row.decision, row.question) == ("time", "")
    assert row.alternatives == ("second knee on Thu 2026-03-19: N = 0, last dose Wed 2026-03-18",)


def test_the_conditions_of_a_case_stand_in_the_arithmetic() -> None:
    assert "cardiovascular/diuretic, rule: always" in row_of({"words": "spironolactone"}).arithmetic
    assert "anticoagulants/apixaban, rule: bleed low" in row_of({"words": "apixaban", "bleed": "low"}).arithmetic


def test_what_practice_lists_and_half_lives_say_besides_is_shown_and_the_chosen_days_are_not() -> None:
    """Meloxicam: list 4, 5 x 17.5 h = 4 days, 5 x 20 h = 5 days, computed."""
    got = nsaid_days(HalfLife(Fraction(15), Fraction("17.5"), Fraction(20), (4,)), "NSAID_LARGER")
    assert (got.days, got.others) == (5, (("practice list", 4), ("5 half-lives, typical", 4)))


def test_the_first_day_without_a_dose_follows_the_last_one() -> None:
    """Lisinopril 24 h before 07:30: the dose of Tuesday 08:00 would be too late."""
    row = row_of({"words": "lisinopril 10 mg", "schedule": "at 08:00"})
    assert (row.missed_days, row.last_dose, row.first_missed) == (1, date(2026, 3, 16), date(2026, 3, 17))


@pytest.mark.parametrize(
    ("policy", "said"),
    [("ALWAYS_LIQUID24", "ALWAYS_LIQUID24"), ("ASA2023_HOLD", "ASA2023_HOLD+ALWAYS_LIQUID24")],
)
def test_the_liquid_diet_is_named_once(policy: str, said: str) -> None:
    row = row_of({"words": "semaglutide 1 mg weekly", "policies": {"glp1": policy, "glp1_liquids": "ALWAYS_LIQUID24"}})
    assert row.policy == said
    assert row.notes.count(LIQUID) == 1


@pytest.mark.parametrize(("policy", "said"), [("ALWAYS_LIQUID24", True), ("ASA2023_HOLD", False)])
def test_the_policy_of_a_liquid_diet_says_so_by_itself(policy: str, said: bool) -> None:
    row = row_of({"words": "semaglutide 1 mg weekly", "policies": {"glp1": policy}})
    assert (row.policy, LIQUID in row.notes) == (policy, said)


# questions are joined without empty ones


def test_a_dose_inside_a_hold_asks_that_alone() -> None:
    row = row_of({"words": "empagliflozin 10 mg", "last_taken": "2026-03-16"})
    assert row.question == "the hold cannot be met, a dose was taken inside it: prescriber and surgeon decide today"


def test_a_dose_after_the_limit_asks_that_alone() -> None:
    given = {"words": "lisinopril 10 mg", "schedule": "at 07:00", "last_taken": "2026-03-17T07:31"}
    assert row_of(given).question == "the last dose was taken after the limit: prescriber and anaesthesia decide"


def test_a_combination_without_question_or_policy_has_none() -> None:
    row = row_of({"words": "atorvastatin / amlodipine"})
    assert (row.decision, row.question, row.policy) == ("continue", "", "")
    alone, both = row_of({"words": "apixaban"}), row_of({"words": "apixaban / esomeprazole"})
    assert alone.question and both.question == alone.question
    assert row_of({"words": "naproxen / esomeprazole"}).policy == "NSAID_LARGER"


def test_a_needle_without_question_adds_none() -> None:
    """Apixaban 2 days, before a needle 3 (ASRA timing table, copies)."""
    row = row_of({"words": "apixaban 5 mg", "anaesthesia": "spinal", "crcl": "70", "indication": ["stroke"]})
    assert (row.decision, row.missed_days, row.question) == ("hold", 3, "")
    low = row_of({"words": "apixaban 2.5 mg", "anaesthesia": "spinal", "crcl": "70"})
    assert low.question.endswith("why is it taken?")


def test_a_question_without_days_names_the_other_operation() -> None:
    """Answered with days it pauses for both: a plan whose row names no other was made without it, and asks each day."""
    (row,) = rows("trial substance QZ 20 mg", surgeries=[("second knee", moment("2026-03-20T07:30"))])
    assert (row.decision, row.last_dose) == ("ask", None)
    assert row.alternatives == ("second knee on Fri 2026-03-20: no days are proposed",)
    assert planned_with(row.alternatives, "second knee", date(2026, 3, 20))


def test_two_operations_ask_that_alone() -> None:
    (row,) = rows("empagliflozin 10 mg", surgeries=[("second knee", moment("2026-03-20T07:30"))])
    close = "two operations lie close together (this one and second knee)"
    assert row.question == f"{close}, the longer pause is shown: restart between?"


# pairs


def test_one_medicine_of_a_pair_asks_nothing() -> None:
    got = rows("warfarin 5 mg", "metoprolol 50 mg", "levothyroxine 50 mcg", "pantoprazole 40 mg")
    assert [r.findings for r in got] == [()] * 4


@pytest.mark.parametrize("tag", sorted({pair.other for pair in pair_table()} | {pair.one for pair in pair_table()}))
def test_a_medicine_of_no_pair_makes_none_with_either_of_a_pair(tag: str) -> None:
    name = next(n for n, i in RULES.ingredients.items() if tag in i.tags)
    for texts in (("levothyroxine 50 mcg", name), (name, "levothyroxine 50 mcg")):
        assert [f.code for r in rows(*texts) for f in r.findings] == []


# several dosage instructions


def read_as(decision: Any, last: date | None = None, days: int | None = None, limit: str = "", **more: Any) -> Any:
    (row,) = rows("metoprolol 50 mg")
    at = moment(limit) if limit else None
    return replace(row, decision=decision, last_dose=last, missed_days=days, last_limit=at, **more)


def told(*found: MedicineRow) -> MedicineRow:
    return safest(found, [entry({"words": f"order {n}"}) for n in range(len(found))])


TUESDAY = date(2026, 3, 17)


def test_of_the_same_last_day_the_clock_limit_is_the_stricter_one() -> None:
    limited = read_as("hold", TUESDAY, 0, "2026-03-17T07:30", rule="limited")
    earlier = read_as("hold", TUESDAY, 0, "2026-03-17T06:30", rule="earlier")
    whole = read_as("hold", TUESDAY, 0, rule="whole")
    assert told(whole, limited).rule == "limited"
    assert told(limited, earlier).rule == "earlier"


def test_of_the_same_days_the_instruction_that_asks_stands_first() -> None:
    sure, asking = read_as("hold", TUESDAY, 0, rule="sure"), read_as("ask", TUESDAY, 0, rule="asking", question="why?")
    assert told(sure, asking).rule == "asking"


def test_what_cannot_be_dated_stands_before_every_date() -> None:
    dated, open_ = read_as("hold", date(2026, 3, 1), 16, rule="dated"), read_as("ask", rule="open", question="why?")
    assert told(dated, open_).rule == "open"


def test_a_usual_day_of_what_continues_is_no_pause_and_no_days_are_told() -> None:
    weekly = read_as("continue", date(2026, 3, 12), rule="weekly")
    held = read_as("hold", TUESDAY, 0, rule="held")
    found = told(weekly, held)
    assert found.rule == "held"
    assert found.alternatives == (
        "an instruction without words: continue",
        "an instruction without words: hold, N = 0, last dose Tue 2026-03-17",
    )


def test_an_instruction_is_told_in_its_own_words_without_gaps() -> None:
    held, kept = read_as("hold", TUESDAY, 0), read_as("continue")
    said = replace(entry({"words": "x", "route": "oral"}), dose_text="one tablet")
    assert safest([held, kept], [said, replace(said, route="")]).alternatives == (
        "one tablet; oral: hold, N = 0, last dose Tue 2026-03-17",
        "one tablet: continue",
    )


def test_an_instruction_without_question_adds_none() -> None:
    asking = read_as("hold", TUESDAY, 0, question="why?")
    assert told(asking, read_as("hold", TUESDAY, 0)).question == "why?"


def test_every_row_of_an_order_has_its_instruction() -> None:
    with pytest.raises(ValueError, match="shorter"):
        safest([read_as("hold", TUESDAY, 0), read_as("continue")], [entry({"words": "x"})])


# the page


def test_the_page_without_orders_says_what_the_rows_know() -> None:
    (line,) = page(rows("warfarin 5 mg"), surgery=SURGERY).lines
    assert dict(line.reading) == {"substances": "warfarin"}


@pytest.mark.parametrize(("dose", "taken"), [("one tablet a day", None), ("one tablet", "one tablet a day")])
def test_the_same_words_stand_once_on_the_page(dose: str, taken: str | None) -> None:
    ordered = replace(entry({"words": "warfarin 5 mg", "schedule": "one tablet a day"}, "row-0"), dose_text=dose)
    (line,) = page(rows("warfarin 5 mg"), [ordered], surgery=SURGERY).lines
    assert dict(line.reading).get("taken") == taken


def test_the_page_asks_for_the_kidney_only_where_something_is_to_be_asked() -> None:
    good = {"creatinine": "1.0", "unit": "mg/dL", "weight": "70", "born": "1958-01-01", "sex": "male"}
    known = page((), surgery=SURGERY, clearance=clearance(kidney({"kidney": good}, SURGERY.day), SURGERY.day))
    assert len(known.kidney) == 3 and not any(line.startswith("ask") for line in known.kidney)
    assert page((), surgery=SURGERY).kidney == ("ask: no creatinine is recorded",)


# kidney and weight


def test_the_ideal_weight_of_a_man() -> None:
    """50 kg + 2.3 kg for each inch over 60 (Devine 1974, from memory): 180 cm give 74.99 kg, 97.5 cm 0.28 kg."""
    given = {"creatinine": "1.0", "unit": "mg/dL", "weight": "72", "born": "1958-01-01", "sex": "male"}
    tall, small = (
        clearance(kidney({"kidney": given | {"height": cm}}, SURGERY.day), SURGERY.day).beside for cm in ("180", "97.5")
    )
    assert dict(tall)["ideal"] == 50 + Fraction("2.3") * (Fraction(180) / Fraction("2.54") - 60)
    assert [name for name, _ in small] == ["adjusted", "ideal"]


def test_a_weight_just_above_nothing_has_a_dose() -> None:
    """2 g below 120 kg, 15 mg/kg (ASHP 2013)."""
    assert cefazolin_grams(Decimal("0.5")) == 2
    assert vancomycin_mg(Decimal("0.5")) == (Decimal("7.5"), 0)
    assert [vancomycin_mg(Decimal(kg))[1] for kg in ("74.9", "75.1")] == [1000, 1250]


def test_half_a_tablet_a_day_is_a_use_and_none_is_not() -> None:
    """Ten tablets at half a tablet a day last twenty days, the day of filling counted, computed."""
    assert supply_ends(date(2026, 3, 1), Fraction(10), Fraction(1, 2)) == date(2026, 3, 20)
    with pytest.raises(ValueError, match="above 0"):
        supply_ends(date(2026, 3, 1), Fraction(10), Fraction(0))


def test_forty_tablets_are_the_range_where_a_clinic_says_no_other() -> None:
    """A clinic setting, low (common practice, no source)."""
    for count, codes in ((40, []), (41, ["WKM403"])):
        assert [f.code for f in check_weaning([WeanPhase(0, 0, Fraction(count))], 1)] == codes


def test_as_many_tablets_as_the_phase_before_are_no_rise() -> None:
    same = [WeanPhase(0, 2, Fraction(2)), WeanPhase(3, 5, Fraction(2))]
    more = [WeanPhase(0, 2, Fraction(2)), WeanPhase(3, 5, Fraction(3))]
    assert [f.code for f in check_weaning(same, 6)] == []
    assert [f.code for f in check_weaning(more, 6)] == ["WKM402"]


# rule files, rules, policies

TWO = """\
group: invented
title: Invented
ingredients: {waymide: {}, keepamide: {}}
rules:
  both:
    for: [waymide, keepamide]
    year: 2026
    restart: when eating
    restart_by: prescriber
    tests: [T01]
    cases:
      - {when: {bleed: low}, decision: continue, source: a first source, confidence: M}
      - {decision: hold, missed_days: 2, source: a second source, confidence: L}
"""


def findings_with(case: str, without: str = "") -> list[Finding]:
    text = TWO.replace("{decision: hold, missed_days: 2, source", f"{case[:-1]}, source")
    return check_rules("invented.yaml", text.replace(without, "").encode())


def test_a_rule_for_two_is_not_for_their_combination_unless_it_says_so() -> None:
    apart, joint = ruleset({"a": TWO}), ruleset({"a": TWO.replace("  both:", "  both:\n    together: true")})
    assert [r.name for r in apart.rule_for(["waymide", "keepamide"])] == ["both", "both"]
    assert [r.name for r in joint.rule_for(["waymide", "keepamide"])] == ["both"]


def test_a_rule_without_source_of_its_own_shows_those_of_its_cases() -> None:
    assert findings_with("{decision: hold, missed_days: 2}") == []
    (line,) = (t for t in rule_table(ruleset({"a": TWO})).splitlines() if t.startswith("| both"))
    assert "| a first source; a second source | 2026 | M, L | T01 |" in line


def test_a_needle_case_without_source_shows_the_others_alone() -> None:
    text = TWO + "    neuraxial:\n      - {decision: hold, missed_days: 3}\n"
    given, rules = [entry({"words": "waymide"})], ruleset({"a": text})
    assert check_rules("invented.yaml", text.encode()) == []
    (row,) = propose(given, SURGERY, Kidney(), "spinal", {}, calendar=CALENDAR, rules=rules)
    assert (row.missed_days, row.source) == (3, "a second source")


def test_a_file_is_checked_by_its_own_name_wherever_it_lies() -> None:
    assert check_rules("clinic/rules/invented.yaml", TWO.encode()) == []
    assert [f.code for f in check_rules("invented/rules.yaml", TWO.encode())] == ["WKM101"]


@pytest.mark.parametrize("kind", ["general", "spinal", "deep-block", "superficial-block", "unknown"])
def test_each_kind_of_anaesthesia_may_be_a_condition(kind: str) -> None:
    text = TWO.replace("{bleed: low}", f"{{anaesthesia: {kind}}}")
    assert check_rules("invented.yaml", text.encode()) == []


def test_what_a_rule_does_not_say_is_the_plain_case() -> None:
    rule = Rule("x", "group", ("x",), ())
    assert (rule.together, rule.never_stop) == (False, False)
    assert not Ingredient("x", "group").unsure
    assert not Outcome("hold", "x", "group").never_stop
    row = MedicineRow("k", "", "x", "ask", False)
    assert (row.local, row.answered) == (False, False)
    assert replace(row, findings=(finding("WKM202", "x"),)) == row  # what is proposed is the same


@pytest.mark.parametrize("case", ["{decision: ask, question: why, missed_days: 2}", "{decision: time, hours: 4}"])
def test_whoever_asks_about_a_stop_says_who_restarts(case: str) -> None:
    assert findings_with(case) == []
    assert {f.code for f in findings_with(case, "    restart_by: prescriber\n")} == {"WKM107"}
    assert {f.code for f in findings_with("{decision: continue}", "    restart_by: prescriber\n")} == set()


def test_half_lives_stop_too_and_say_who_restarts() -> None:
    text = TWO.replace("missed_days: 2, ", "").replace("    cases:", "    half_life: {low: 2, high: 4}\n    cases:")
    assert check_rules("invented.yaml", text.encode()) == []
    found = check_rules("invented.yaml", text.replace("    restart_by: prescriber\n", "").encode())
    assert {f.code for f in found} == {"WKM107"}


def test_a_misspelt_value_gets_the_right_one_offered() -> None:
    found = findings_with("{when: {bleed: hihg}, decision: hold, missed_days: 2}")
    assert [f.help for f in found if f.code == "WKM108"] == ["Did you mean 'high'?"]
    unnamed = findings_with("{when: {policy: ask}, decision: hold, missed_days: 2}")
    assert [f.help for f in unnamed if f.code == "WKM108"] == [UNSAID]


def test_a_policy_of_another_name_is_not_offered_a_blanket_rule() -> None:
    blood, nsaids = check_policies({"blood_thinners": "BLANKET_0D", "nsaids": "BLANKET_7D"})
    assert "BLANKET_7D" in blood.help
    assert "BLANKET_7D" not in nsaids.help


@pytest.mark.parametrize("readme", [f"{START} nothing", f"nothing {END}"])
def test_a_readme_with_one_mark_is_refused(readme: str) -> None:
    with pytest.raises(ValueError, match="no marks"):
        with_table(readme, RULES)


def test_a_file_that_an_editor_left_behind_is_no_rule_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "rules").mkdir()
    for name in ("b.yaml", "a.yaml", "a.yaml~"):
        (tmp_path / "rules" / name).touch()
    monkeypatch.setattr(import_module("waykeeper.medicines.ruleset"), "files", lambda package: tmp_path)
    assert [f.name for f in rule_files()] == ["a.yaml", "b.yaml"]
