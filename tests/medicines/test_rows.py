"""What is laid over the rules: answers, lateness, pairs, two operations, policies, own words, hours."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time
from decimal import Decimal
from typing import Any

import pytest

from medicines.case_files import CALENDAR, ZONE, entry, moment, row_of, words_node
from waykeeper.medicines import (
    MedicineRow,
    check_policies,
    late,
    not_met,
    package_rules,
    propose,
    read_synonyms,
    row_from_answer,
    rules_with,
)
from waykeeper.medicines.answers import named
from waykeeper.medicines.propose import OWN_WORDS
from waykeeper.plan.model import HoldAnswer
from waykeeper.record.model import Kidney
from waykeeper.timing import Moment

SURGERY = moment("2026-03-18T07:30")


def rows(*texts: str, **more: object) -> tuple[MedicineRow, ...]:
    entries = [entry({"words": w}, f"row-{n}") for n, w in enumerate(texts)]
    return propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR, **more)  # type: ignore[arg-type]


def test_an_answer_replaces_the_proposal_and_keeps_it_readable() -> None:
    (row,) = rows("warfarin 5 mg", answers={"row-0": HoldAnswer("hold", 4, by="Dr Example")})
    assert (row.decision, row.missed_days, row.answered) == ("hold", 4, True)
    assert (row.last_dose, row.first_missed) == (date(2026, 3, 13), date(2026, 3, 14))
    assert "proposed: hold, N = 5" in row.alternatives
    assert "decided by Dr Example: hold" in row.notes
    assert row.question == ""


def test_an_answer_moves_with_surgery() -> None:
    (row,) = propose(
        [entry({"words": "warfarin 5 mg"})], moment("2026-03-25T07:30"), Kidney(), "general", {}, calendar=CALENDAR,
        answers={"row-1": HoldAnswer("hold", 4)},
    )  # fmt: skip
    assert row.last_dose == date(2026, 3, 20)


def test_continue_is_an_answer_without_days() -> None:
    (row,) = rows("warfarin 5 mg", answers={"row-0": HoldAnswer("continue")})
    assert (row.decision, row.missed_days, row.last_dose, row.restart_from) == ("continue", None, None, None)
    assert not row.stops
    (of_a_cycle,) = rows("adalimumab 40 mg pen every 2 weeks", answers={"row-0": HoldAnswer("continue")})
    assert (of_a_cycle.last_dose, of_a_cycle.first_missed, of_a_cycle.window) == (None, None, None)


@pytest.mark.parametrize("days", [2, 4])
def test_an_answered_pause_keeps_the_restart_of_its_rule(days: int) -> None:
    """Apixaban before a joint replacement: 48 to 72 h after it, by bleeding (PAUSE, JAMA Intern Med 2019)."""
    (row,) = rows("apixaban 5 mg", answers={"row-0": HoldAnswer("hold", days)})
    assert (row.restart_from, "bleeding is controlled" in row.restart) == (date(2026, 3, 20), True)


def test_an_answer_for_a_row_that_was_not_recognised() -> None:
    (row,) = rows("zzzmab", answers={"row-0": HoldAnswer("hold", 7, by="Dr Example")})
    assert (row.recognised, row.missed_days, row.last_dose) == (True, 7, date(2026, 3, 10))
    assert row.alternatives[-1] == "proposed: ask"
    assert row.restart and row.restart_by


@pytest.mark.parametrize("answer", [HoldAnswer("hold"), HoldAnswer("perhaps", 3)])
def test_an_answer_that_cannot_be_read_asks_again(answer: HoldAnswer) -> None:
    (row,) = rows("warfarin 5 mg", answers={"row-0": answer})
    assert (row.decision, row.answered) == ("ask", False)
    assert "what is meant" in row.question


def test_row_from_answer_needs_no_proposal_context() -> None:
    (row,) = rows("warfarin 5 mg")
    assert row_from_answer(row, HoldAnswer("hold", 0), SURGERY).last_dose == date(2026, 3, 17)


@pytest.mark.parametrize(
    ("as_of", "said"),
    [
        ("2026-03-11", ""),
        ("2026-03-12", ""),  # the last-dose day itself can still be kept
        ("2026-03-13", "last dose should have been Thu 2026-03-12; call the surgeon's office today"),
        ("2026-03-18", "last dose should have been Thu 2026-03-12; call the surgeon's office today"),
        ("2026-03-19", "was never answered; last dose should have been Thu 2026-03-12"),
    ],
)
def test_late(as_of: str, said: str) -> None:
    (row,) = rows("warfarin 5 mg")
    assert late(row, date.fromisoformat(as_of), SURGERY.day) == said


def test_nothing_is_late_without_a_stop_or_after_an_answer() -> None:
    (beta,) = rows("metoprolol 50 mg")
    (answered,) = rows("warfarin 5 mg", answers={"row-0": HoldAnswer("hold", 5)})
    assert late(beta, date(2026, 3, 17), SURGERY.day) == ""
    assert late(answered, date(2026, 3, 17), SURGERY.day) == ""
    assert late(rows("warfarin 5 mg")[0], None, SURGERY.day) == ""


def test_not_met() -> None:
    """T83, computed: last taken on day -4, 3 of 5 days are possible, earliest S 2026-03-20."""
    got = not_met(5, date(2026, 3, 18), date(2026, 3, 14))
    assert got is not None
    assert (got.needed_days, got.possible_days, got.earliest_surgery) == (5, 3, date(2026, 3, 20))
    assert not_met(5, date(2026, 3, 20), date(2026, 3, 14)) is None
    after = not_met(5, date(2026, 3, 18), date(2026, 3, 18))
    assert after is not None and after.possible_days == 0


def test_duplicate_anticoagulants_alert() -> None:
    """T40, derived: apixaban and enoxaparin after surgery."""
    got = rows("apixaban 5 mg", "enoxaparin 40 mg injection")
    assert all("WKM302" in {f.code for f in r.findings} for r in got)
    assert all("two anticoagulants at once" in r.question for r in got)


@pytest.mark.parametrize(
    "pair",
    [
        ("ibuprofen 400 mg", "aspirin 81 mg"),
        ("naproxen 250 mg", "meloxicam 15 mg"),
        ("oxycodone 5 mg", "lorazepam 1 mg"),
        ("methadone 10 mg", "gabapentin 300 mg"),
        ("tramadol 50 mg", "sertraline 50 mg"),
        ("tapentadol 50 mg", "phenelzine 15 mg"),
        ("fluoxetine 20 mg", "linezolid 600 mg"),
        ("oxycodone 5 mg", "naltrexone 50 mg tablet"),
        ("aspirin 81 mg", "clopidogrel 75 mg"),
        ("warfarin 5 mg", "aspirin 81 mg"),
    ],
)
def test_a_pair_asks_and_stops_nothing(pair: tuple[str, str]) -> None:
    """Published pairs (CDC 2022 for opioid and benzodiazepine; the rest from memory): a question, never a stop."""
    alone = [rows(text)[0] for text in pair]
    together = rows(*pair)
    assert all("WKM303" in {f.code for f in r.findings} for r in together)
    assert [(r.decision, r.missed_days) for r in together] == [(r.decision, r.missed_days) for r in alone]
    assert [(r.decision, r.missed_days) for r in rows(*reversed(pair))] == [
        (r.decision, r.missed_days) for r in reversed(alone)
    ]


@pytest.mark.parametrize(("start", "asks"), [("2026-03-17", False), ("2026-03-18", True), ("2026-04", False)])
def test_an_order_that_starts_after_surgery_asks(start: str, asks: bool) -> None:
    bounds = {"dosageInstruction": [{"timing": {"repeat": {"boundsPeriod": {"start": start}}}}]}
    for resource in (bounds, {"effectivePeriod": {"start": start}}):
        future = replace(entry({"words": "apixaban 5 mg"}), resource=resource)
        (row,) = propose([future], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
        assert ("meant for after the operation" in row.question, row.decision == "ask") == (asks, asks)


def test_a_stent_that_another_row_names_sends_the_second_blocker_to_cardiology() -> None:
    """DAPT review, Korean J Anesthesiol: with a stent cardiology decides, elective surgery waits."""
    aspirin = entry({"words": "aspirin 81 mg", "indication": ["coronary stent"]}, "a")
    both = [aspirin, entry({"words": "clopidogrel 75 mg"}, "b"), entry({"words": "warfarin 5 mg"}, "c")]
    one, two, three = propose(both, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    assert (one.decision, two.decision, three.decision) == ("continue", "ask", "hold")
    assert (two.missed_days, two.confirm_by) == (None, "cardiologist")
    (alone,) = propose(both[1:2], SURGERY, Kidney(), "general", {}, calendar=CALENDAR, facts={"stent": "yes"})
    assert alone.confirm_by == "cardiologist"


def test_a_start_without_zone_is_the_clinics() -> None:
    (row,) = propose(
        [entry({"words": "lisinopril 10 mg"})], Moment(date(2026, 3, 18), time(7, 30)), Kidney(), "general", {},
        calendar=CALENDAR,
    )  # fmt: skip
    assert str(row.last_limit) == "2026-03-17T07:30:00-05:00"


def test_a_superficial_block_is_asked_about_only_where_a_needle_matters() -> None:
    got = propose(
        [entry({"words": w}, w) for w in ("apixaban 5 mg", "ibuprofen 400 mg")], SURGERY, Kidney(),
        "superficial-block", {}, calendar=CALENDAR,
    )  # fmt: skip
    assert ["superficial block" in r.question for r in got] == [True, False]


@pytest.mark.parametrize(("bleed", "days"), [("low", 1), ("high", 2), ("", 2), ("moderate", 2)])
def test_a_bleeding_class_that_is_not_low_is_high(bleed: str, days: int) -> None:
    assert row_of({"words": "apixaban 5 mg", "crcl": "70", "bleed": bleed}).missed_days == days


def test_a_cycle_is_tested_once_by_its_own_rule() -> None:
    row = row_of({"words": "rituximab infusion", "last_taken": "2025-09-18"})
    assert row.alternatives == ("earliest surgery by the rule: Thu 2026-03-19",)
    assert "cannot be met" not in row.question


def test_the_arithmetic_says_how_each_kind_of_day_came_about() -> None:
    """Computed; `explain` prints these lines."""
    months = row_of({"words": "rituximab infusion"}).arithmetic
    assert "more than 6 full months: Wed 2025-09-17 + 6 months = Tue 2026-03-17" in months
    window = row_of({"words": "adalimumab 40 mg pen"}).arithmetic
    assert "last dose 15 to 21 days before surgery: Wed 2026-02-25 to Tue 2026-03-03" in window
    hours = row_of({"words": "lisinopril 10 mg", "schedule": "at 08:00"}).arithmetic
    assert "24 h before Wed 2026-03-18 07:30 = 2026-03-17T07:30:00-05:00" in hours
    assert "the usual dose on Tue 2026-03-17 would be too late: last Mon 2026-03-16" in hours
    weekly = row_of({"words": "methotrexate 15 mg weekly on Thursday"}).arithmetic
    assert "continues every Thu: Thu 2026-03-12 too" in weekly
    held = row_of({"words": "tirzepatide 5 mg weekly on Thursday", "policies": {"glp1": "ASA2023_HOLD"}}).arithmetic
    assert "taken every Thu: last Thu 2026-03-05, 13 days before surgery" in held
    day_only = row_of({"words": "lisinopril 10 mg", "surgery": "2026-03-18"}).arithmetic
    assert "24 h, start time not known: in whole days 1" in day_only


def test_of_two_equal_intervals_the_rule_of_the_medicine_stands_first() -> None:
    row = row_of({"words": "warfarin 5 mg", "anaesthesia": "spinal"})
    assert row.source.startswith("CHEST 2022") and "PMC7976996" in row.source
    assert row.alternatives == ()


def test_of_a_combination_the_weightier_decision_and_the_smaller_confidence_count() -> None:
    row = row_of({"words": "naproxen / esomeprazole"})
    assert (row.decision, row.confidence) == ("hold", "M")
    assert row_of({"words": "insulin glargine / acetaminophen"}).decision == "adjust"
    assert row_of({"words": "atorvastatin / amlodipine"}).confidence == "H"


def test_a_surgery_in_another_zone_keeps_it() -> None:
    surgery = Moment(date(2026, 3, 18), time(7, 30), "America/New_York")
    (row,) = propose([entry({"words": "lisinopril 10 mg"})], surgery, Kidney(), "general", {}, calendar=CALENDAR)
    assert str(row.last_limit) == "2026-03-17T07:30:00-04:00"


@pytest.mark.parametrize(
    ("day", "close"), [("2026-04-11", True), ("2026-04-12", False), ("2026-02-22", True), ("2026-02-21", False)]
)
def test_operations_are_close_while_a_hold_meets_the_time_before_the_restart(day: str, close: bool) -> None:
    """Tofacitinib, computed: last dose 4 days before, restart from day 14 after each operation."""
    other = [("second knee", moment(f"{day}T07:30"))]
    (row,) = rows("tofacitinib 5 mg", surgeries=other)
    assert ("second knee" in row.question) == close


@pytest.mark.parametrize(
    ("day", "close"), [("2026-03-04", True), ("2026-02-21", False), ("2026-04-11", True), ("2026-04-12", False)]
)
def test_a_restart_that_no_day_is_known_for_counts_for_two_weeks(day: str, close: bool) -> None:
    """Empagliflozin, computed: last dose 4 days before, no restart day."""
    (row,) = rows("empagliflozin 10 mg", surgeries=[("second knee", moment(f"{day}T07:30"))])
    assert ("second knee" in row.question) == close


def test_the_dose_of_the_order_goes_before_the_strength_in_the_words() -> None:
    half = replace(entry({"words": "apixaban 5 mg"}), dose_mg=Decimal("2.5"))
    (row,) = propose([half], SURGERY, Kidney(), "spinal", {}, calendar=CALENDAR)
    assert row.decision == "ask" and "2.5 mg is also the reduced dose" in row.question


def test_rows_of_low_confidence_or_from_memory_are_marked() -> None:
    """The sources say so: empagliflozin H and read; vitamins L; amlodipine from memory."""
    got = rows("empagliflozin 10 mg", "vitamin d", "amlodipine 5 mg")
    assert ["confirm with pharmacist" in r.notes for r in got] == [False, True, True]


@pytest.mark.parametrize(
    ("words", "status", "asks"),
    [
        ("apixaban 5 mg", "completed", True),
        ("clopidogrel 75 mg", "completed", True),
        ("apixaban 5 mg", "stopped", False),
        ("amoxicillin 500 mg", "completed", False),
    ],
)
def test_a_blood_thinner_whose_order_was_completed_is_asked_about(words: str, status: str, asks: bool) -> None:
    """Completed says that the order is carried out (FHIR R4, medicationrequest-status), not that nobody takes it."""
    row = row_of({"words": words, "status": status})
    assert row.decision == "already stopped"
    assert ("is it taken all the same?" in row.question) is asks


@pytest.mark.parametrize(
    ("words", "asks"), [("nabumetone 750 mg", False), ("prasugrel 10 mg", True), ("adalimumab 40 mg pen", True)]
)
def test_an_ended_order_that_works_for_a_week_asks_for_its_last_dose(words: str, asks: bool) -> None:
    ended = {"words": words, "status": "stopped"}
    assert bool(row_of(ended).question) == asks
    assert row_of(ended | {"last_taken": "2026-01-02"}).question == ""


def test_half_lives_can_be_followed() -> None:
    arithmetic = row_of({"words": "meloxicam 15 mg"}).arithmetic
    assert "5 x 20 h = 100 h, in whole days 5; practice list 4; NSAID_LARGER takes 5" in arithmetic


def test_unknown_anaesthesia_says_why_the_longer_interval_counts() -> None:
    notes = [" ".join(row_of({"words": "apixaban 5 mg", "anaesthesia": a}).notes) for a in ("unknown", "spinal")]
    assert ["anaesthesia is not known" in n for n in notes] == [True, False]


def test_a_row_that_is_not_recognised_stays_so_beside_other_operations() -> None:
    (row,) = rows("zzzmab", surgeries=[("second knee", moment("2026-03-16T07:30"))])
    assert (row.recognised, row.decision) == (False, "ask")


def test_a_pain_spray_in_the_nose_is_seen_by_the_pairs() -> None:
    """It reaches the blood (ketorolac nasal spray, label, from memory); a steroid spray that continues makes none."""
    got = rows("warfarin 5 mg", "ketorolac 15.75 mg nasal spray", "fluticasone nasal spray")
    assert all("bleeding adds up" in r.question for r in got[:2])
    assert [r.local for r in got] == [False, False, True]


def test_drops_and_creams_make_no_pair() -> None:
    got = rows("warfarin 5 mg", "diclofenac eye drops", "ketorolac 10 mg tablet", "ketorolac eye drops")
    assert [sorted({f.code for f in r.findings}) for r in got] == [["WKM303"], [], ["WKM303"], []]


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (("semaglutide pen", "dulaglutide pen", "liraglutide pen"), "two of a kind (GLP-1)"),
        (("dapagliflozin 10 mg", "empagliflozin 10 mg"), "two of a kind (SGLT2 inhibitors)"),
        (("clopidogrel 75 mg", "ticagrelor 90 mg"), "two of a kind (P2Y12 inhibitors)"),
        (("metoprolol 25 mg", "carvedilol 6.25 mg"), "two of a kind (beta blockers)"),
        (("lisinopril 10 mg", "enalapril 5 mg"), "two of a kind (ACE inhibitors)"),
        (("losartan 50 mg", "valsartan 80 mg"), "two of a kind (angiotensin receptor blockers)"),
        (("lisinopril 10 mg", "losartan 50 mg"), "both act on angiotensin"),
        (("lisinopril 10 mg", "sacubitril / valsartan 49/51 mg"), "both act on angiotensin"),
        (("atorvastatin 40 mg", "simvastatin 20 mg"), "two of a kind (statins)"),
        (("sertraline 50 mg", "duloxetine 60 mg"), "two of a kind (SSRI or SNRI)"),
        (("lorazepam 1 mg", "diazepam 5 mg"), "two of a kind (benzodiazepines)"),
        (("adalimumab pen", "etanercept pen"), "two biologics at once"),
        (("lithium carbonate 300 mg", "ibuprofen 600 mg"), "lithium may rise"),
        (("lithium carbonate 300 mg", "lisinopril 20 mg"), "lithium may rise"),
        (("lithium carbonate 300 mg", "losartan 50 mg"), "lithium may rise"),
        (("lithium carbonate 300 mg", "hydrochlorothiazide 25 mg"), "lithium may rise"),
    ],
)
def test_two_of_a_kind_and_what_lithium_does_not_bear_are_asked_on_each_row(words: tuple[str, ...], asked: str) -> None:
    """Labels, from memory; that two of one class are seldom meant is common practice, no source."""
    got = rows(*words)
    assert [r.question.count(asked) for r in got] == [1] * len(words)
    alone = [row_of({"words": w}) for w in words]
    assert all(asked not in r.question for r in alone)
    assert [(r.missed_days, r.last_dose) for r in got] == [(r.missed_days, r.last_dose) for r in alone]


def test_one_product_of_two_is_no_pair_of_a_kind() -> None:
    assert rows("sacubitril / valsartan 49/51 mg", "timolol eye drops", "metoprolol 25 mg")[0].findings == ()
    assert rows("timolol eye drops", "metoprolol 25 mg")[1].findings == ()


def test_partners_share_one_question() -> None:
    (ibuprofen, *_) = rows("ibuprofen 400 mg", "warfarin 5 mg", "aspirin 81 mg", "clopidogrel 75 mg")
    assert "with warfarin, aspirin, clopidogrel: bleeding adds up: is that intended?" in ibuprofen.question


def test_one_combination_tablet_is_no_pair_and_an_ended_row_makes_none() -> None:
    (film,) = rows("buprenorphine / naloxone sublingual film")
    assert film.findings == ()
    ended = [entry({"words": "apixaban 5 mg", "status": "stopped"}, "a"), entry({"words": "enoxaparin 40 mg"}, "b")]
    got = propose(ended, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    assert [f.code for r in got for f in r.findings] == []


def test_two_operations_show_the_longer_hold_and_name_both() -> None:
    (row,) = rows("warfarin 5 mg", surgeries=[("second knee", moment("2026-03-16T07:30"))])
    assert row.decision == "ask"
    assert (row.last_dose, row.missed_days) == (date(2026, 3, 10), 7)
    assert "second knee" in row.question
    assert "second knee on Mon 2026-03-16: N = 5, last dose Tue 2026-03-10" in row.alternatives


def test_a_later_operation_keeps_the_earlier_days_and_asks() -> None:
    (row,) = rows("warfarin 5 mg", surgeries=[("second knee", moment("2026-03-23T07:30"))])
    assert (row.decision, row.last_dose, row.missed_days) == ("ask", date(2026, 3, 12), 5)


def test_an_operation_far_away_is_named_and_changes_nothing() -> None:
    (row,) = rows("warfarin 5 mg", surgeries=[("second knee", moment("2026-09-16T07:30"))])
    assert (row.decision, row.last_dose) == ("hold", date(2026, 3, 12))
    assert any("second knee" in a for a in row.alternatives)


def test_other_operations_do_not_touch_what_continues() -> None:
    (row,) = rows("metoprolol 50 mg", surgeries=[("second knee", moment("2026-03-16T07:30"))])
    assert (row.decision, row.alternatives) == ("continue", ())


def test_policies_are_checked_by_name_and_value() -> None:
    good = {"glp1": "ask", "nsaids": "NSAID_LIST", "blood_thinners": "BLANKET_7D", "naltrexone": "NTX_XR_N28"}
    assert check_policies(good) == []
    found = check_policies({"glp": "ask", "blood_thinners": "BLANKET_0D", "nsaids": "NSAID_LARGE"})
    assert [f.code for f in found] == ["WKM110"] * 3
    assert "glp1" in found[0].help and "NSAID_LARGER" in found[2].help


def test_an_unknown_policy_value_never_decides() -> None:
    got = row_of({"words": "semaglutide 1 mg weekly", "policies": {"glp1": "LENIENT"}})
    assert (got.decision, got.policy, got.missed_days) == ("ask", "ask", None)


def test_own_words_classify_only_what_the_clinic_wrote() -> None:
    words, found = read_synonyms(words_node("zorblix: apixaban\nduo pill: [oxycodone, acetaminophen]\n"))
    assert found == []
    entries = [entry({"words": w}, w) for w in ("Zorblix 5 mg", "Duo-Pill", "Zorblixx", "warfarin 5 mg")]
    given: dict[str, Any] = {"calendar": CALENDAR, "rules": rules_with(words)}
    one, two, three, four = propose(entries, SURGERY, Kidney(), "general", {}, **given)
    assert one.ingredients == ("apixaban",)
    assert two.ingredients == ("oxycodone", "acetaminophen")
    assert not three.recognised
    assert [OWN_WORDS in row.notes for row in (one, two, three, four)] == [True, True, False, False]
    assert "zorblix" not in package_rules().names
    assert rules_with(()) is package_rules()


def test_an_answer_is_about_what_the_own_word_meant() -> None:
    """A word that the clinic gave to another medicine since: the answer was about the first."""
    taken = entry({"words": "Zorblix 5 mg"}, "z")
    was = named(taken, rules_with((("zorblix", ("apixaban",)),)))
    answer = HoldAnswer("continue", by="Dr. Test", medicine=was)
    for generic, stands in (("apixaban", True), ("warfarin", False)):
        rules = rules_with((("zorblix", (generic,)),))
        (row,) = propose(
            [taken], SURGERY, Kidney(), "general", {}, calendar=CALENDAR, answers={"z": answer}, rules=rules
        )
        assert (row.decision == "continue", row.answered) == (stands, stands)


@pytest.mark.parametrize(
    "text", ["apixaban: warfarin\n", "x: nothing\n", "'': apixaban\n", "A-b: warfarin\na b: apixaban\n"]
)
def test_own_words_that_are_wrong_are_found(text: str) -> None:
    words, found = read_synonyms(words_node(text))
    assert {f.code for f in found} == {"WKM111"}
    assert dict(words).get("a b", ("warfarin",)) == ("warfarin",)
    assert len(words) == text.count("A-b")


def test_an_own_word_cannot_replace_a_name() -> None:
    given = [entry({"words": "warfarin 5 mg"})]
    ours = rules_with((("warfarin", ("apixaban",)),))
    (row,) = propose(given, SURGERY, Kidney(), "general", {}, calendar=CALENDAR, rules=ours)
    assert row.ingredients == ("warfarin",)


@pytest.mark.parametrize(
    ("taken", "asks"),
    [("2026-03-17T07:30", False), ("2026-03-17T07:31", True), ("2026-03-17", False), ("2026-03-18", True)],
)
def test_the_recorded_time_is_held_against_the_limit(taken: str, asks: bool) -> None:
    """T56/T57, computed: 24 h before 07:30."""
    given = {"words": "lisinopril 10 mg", "schedule": "at 07:00", "last_taken": taken}
    assert (row_of(given).decision == "ask") == asks


def test_a_recorded_time_in_the_repeated_hour_counts_as_the_later() -> None:
    """T69, derived: 01:30 on 2026-11-01 stands twice; recorded it is the second, the limit 01:45 is the first."""
    given = {"words": "lisinopril 10 mg", "surgery": "2026-11-02T01:45", "last_taken": "2026-11-01T01:30"}
    assert str(row_of(given).last_limit) == "2026-11-01T01:45:00-05:00"
    assert "after the limit" in row_of(given).question
    assert "after the limit" not in row_of(given | {"last_taken": "2026-11-01T00:59"}).question


def test_a_limit_in_the_repeated_hour_is_the_first() -> None:
    """As T67, derived: nothing after it, so the earlier reading."""
    given = {"words": "heparin sodium infusion", "surgery": "2026-11-01T05:00"}
    row = row_of(given)
    assert str(row.last_limit) == "2026-11-01T01:00:00-05:00"  # 01:00 stands twice: the first, nothing after it


def test_a_start_inside_the_repeated_hour_counts_from_the_first() -> None:
    surgery = Moment(date(2026, 11, 1), time(1, 30), ZONE, fold=1)
    (row,) = propose(
        [entry({"words": "lisinopril 10 mg"})], surgery, Kidney(), "general", {}, calendar=CALENDAR
    )  # fmt: skip
    assert str(row.last_limit) == "2026-10-31T01:30:00-05:00"


def test_dose_and_form_from_structured_fields_count() -> None:
    plain = replace(entry({"words": "diclofenac"}), route="Topical")
    (row,) = propose([plain], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)
    assert (row.decision, row.missed_days) == ("ask", None)


def test_no_words_carry_dates() -> None:
    """Dates stand in elements and in figures beside each other, never in what is told."""
    import re

    from medicines.case_files import proposal_cases

    for case in proposal_cases():
        row = row_of(case.given)
        told = " ".join([row.question, row.restart, *row.notes])
        assert not re.search(r"\d{4}-\d{2}-\d{2}", told), case.id


def test_an_answer_with_the_proposed_number_keeps_its_clock_limit() -> None:
    """24 h before 07:30 (AHA/ACC 2024, ACE inhibitors): who agrees with N = 0 agrees with the hour too."""
    (row,) = rows("lisinopril 10 mg", answers={"row-0": HoldAnswer("hold", 0)})
    assert (row.answered, row.missed_days, row.last_dose) == (True, 0, date(2026, 3, 17))
    assert str(row.last_limit) == "2026-03-17T07:30:00-05:00"
    (other,) = rows("lisinopril 10 mg", answers={"row-0": HoldAnswer("hold", 1)})
    assert (other.last_dose, other.last_limit) == (date(2026, 3, 16), None)


def test_a_hormone_after_the_menopause_asks_for_no_contraception() -> None:
    """NICE CG92/NG89: stopping 4 weeks before is considered; contraception is a matter of contraceptives."""
    assert "contraception" not in row_of({"words": "estradiol 1 mg tablet"}).question
    assert "contraception" not in row_of({"words": "conjugated estrogens 0.3 mg"}).question
