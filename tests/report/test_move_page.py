"""The page and the text of moves: every call once, urgent patients first, nothing for whom nothing may be printed."""

import re
from dataclasses import replace
from datetime import date, time, timedelta

import pytest

from report.builder import plan as made_plan
from waykeeper.findings import finding
from waykeeper.merge.difference import Row, Turned
from waykeeper.merge.medicine_changes import MedicineChange
from waykeeper.plan.model import Key
from waykeeper.report.move_calls import calls_of
from waykeeper.report.move_page import move_html
from waykeeper.report.move_text import move_text
from waykeeper.report.move_words import medicine_sentence
from waykeeper.report.moved import Call, MovedPlan, Rebook
from waykeeper.report.moves import move_json
from waykeeper.timing.model import Moment

TODAY = date(2026, 3, 14)
HOLD = Key("hold", "rx-1")


def medicine(**more) -> MedicineChange:
    base = MedicineChange(HOLD, "Pause warfarin", "warfarin 2.5 mg", "approve again", days=5)
    return replace(base, last_dose=date(2026, 3, 12), first_missed=date(2026, 3, 13), **more)


def plan(name="Robin Quill", number="M-1", **more) -> MovedPlan:
    base = MovedPlan(name, f"https://clinic.example/mrn|{number}", 1, "small", "moved", TODAY)
    return replace(
        base, surgery_was=Moment(date(2026, 3, 25)), surgery=Moment(date(2026, 3, 18)), codes=("AAA-111", "BBB-222"),
        **more,
    )  # fmt: skip


SHORT = medicine(need="cannot be met", possible=3, earliest=date(2026, 3, 20), last_taken=TODAY, counted_from=TODAY)
CALL = Call("Prescriber", "prescriber", "312-555-0104", TODAY, ("Decide about <warfarin>.",), urgent=True)


def test_the_worked_case_in_words():
    """Three of five days, earliest surgery 2026-03-20: the moved-surgery check value (warfarin, CHEST 2022)."""
    said = medicine_sentence(SHORT, Moment(date(2026, 3, 18)))
    assert "only 3 of 5 fit before Wed 2026-03-18" in said
    assert "The first surgery day that keeps 5 days off is Fri 2026-03-20" in said
    assert "Counted from the last dose, recorded Sat 2026-03-14" in said
    assumed = medicine_sentence(replace(SHORT, last_taken=None), None)
    assert "No dose is recorded: counted as if the last one was on Sat 2026-03-14" in assumed
    assert "A dose on Sun 2026-03-15 makes it 2 days off and Sat 2026-03-21." in assumed


def test_a_recorded_dose_that_is_still_to_come_is_said_and_not_counted():
    later = date(2026, 3, 16)
    said = medicine_sentence(medicine(need="answer", recorded_later=later), None)
    assert "recorded for Mon 2026-03-16, a day still to come: not counted" in said and "Last dose recorded" not in said


def test_moved_to_an_earlier_day_says_how_much_sooner_and_nothing_of_a_restart():
    said = medicine_sentence(medicine(need="approve again", sooner=True, last_dose_was=date(2026, 3, 19)), None)
    assert "It must stop 7 days sooner than before (last dose was to be Thu 2026-03-19)" in said
    assert "take it again" not in said


@pytest.mark.parametrize(
    ("need", "word"),
    [
        ("stop today", "Say now"),
        ("ask about restart", "Say today: take it again up to Thu 2026-03-12, or stay off it"),
        ("stays stopped", "no dose is left to take"),
        ("approve again", "Approve for the new date: 5 days off, last dose Thu 2026-03-12"),
        ("answer", "Still to be answered: 5 days off"),
        ("ask", "Decide for the new date"),
        ("no longer listed", "no longer on the list"),
    ],
)
def test_each_need_has_its_sentence(need, word):
    said = medicine_sentence(medicine(need=need, again=need == "approve again"), Moment(date(2026, 3, 18)))
    assert word in said and said[-1] in ".?"
    assert ("needs a new answer" in said) == (need == "approve again")


def test_text_of_one_plan():
    rows = (Row(Key("task", "wash", "evening"), "Wash", "again", "2026-03-24", "2026-03-17", "done for it", "patient"),
            Row(Key("task", "call"), "Call", "moved", "2026-03-18", "2026-03-11"),
            Row(Key("task", "x"), "Same", "unchanged"))  # fmt: skip
    booking = Rebook("visit/two-week", "Wound check", Moment(date(2026, 4, 8)), "w", "after its new window", TODAY)
    one = plan(medicines=(SHORT,), rows=rows, rebook=(booking,), calls=(CALL,), late=(rows[1],), turned=(
        Turned("surgery", "a", "b"),), reason="flood", by="Ann")  # fmt: skip
    text = move_text([one])
    assert all(len(line) <= 80 for line in text.splitlines())
    flat = " ".join(text.split())
    for wanted in (
        "surgery: a -> b", "why: flood (Ann)", "AAA-111 is not valid any more, have it and any older one", "TOO LATE |",
        "by Sat 2026-03-14 | TODAY", "as of Sat 2026-03-14",
        "We call you again about warfarin 2.5 mg by Sat 2026-03-14",
        "Wash, evening: 2026-03-17 (done for it), patient",
        "Call: 2026-03-18 -> 2026-03-11", "THE SAME AS BEFORE: 1: Same",
        "none was cancelled", "LATE FOR THE NEW DATE: 1",
    ):  # fmt: skip
        assert wanted in flat, wanted


def test_many_plans_urgent_first_and_failures_before_all():
    calm, urgent = plan("Ann Calm", "A-0001"), plan("Zoe Urgent", "Z-0002", medicines=(SHORT,), calls=(CALL,))
    text = move_text([calm, urgent], failed=[("line 3, patient ...003", "no such plan")])
    assert text.index("NOT MOVED: 1") < text.index("Zoe Urgent") < text.index("Ann Calm")
    assert text.startswith("3 patients: 2 moved, 1 not moved.") and "A-0001" not in text
    page = move_html([calm, urgent], failed=[("line 3", "no such plan")])
    assert page.index("no such plan") < page.index("Zoe Urgent") < page.index("Ann Calm")
    assert page.count('<article class="card') == 2 and "All calls in the order of time" in page


def test_the_page_is_one_file_that_fetches_nothing_and_escapes_everything():
    page = move_html([plan("<b>Robin</b>", medicines=(SHORT,), calls=(CALL,))], source="http://127.0.0.1/fhir")
    assert "<b>Robin" not in page and "&lt;b&gt;Robin" in page and "&lt;warfarin&gt;" in page
    assert "default-src 'none'" in page and not re.search(r"<(script|link|img|iframe)", page)
    assert not re.search(r"(?:src|href)=\"(?!#)", page)


def test_json_has_stable_names():
    told = move_json([plan(medicines=(SHORT,), calls=(CALL,))])["plans"][0]
    assert told["surgery"] == "2026-03-18" and told["status"] == "moved"
    row = told["medicines"][0]
    assert (row["possible_days"], row["missed_days"], row["earliest_surgery"]) == (3, 5, "2026-03-20")
    assert row["say"] == medicine_sentence(SHORT, Moment(date(2026, 3, 18)))
    assert told["calls"][0] == {
        "to": "Prescriber", "role": "prescriber", "telephone": "312-555-0104", "by": "2026-03-14",
        "say": ["Decide about <warfarin>."], "urgent": True, "note": "", "again": False,
    }  # fmt: skip


def days(number: int) -> Moment:
    return Moment(TODAY + timedelta(days=number))


PLAN = made_plan()
OPEN = medicine(need="ask", due=date(2026, 3, 20))


def calls(**more) -> tuple[Call, ...]:
    return calls_of(plan(next_open=date(2026, 3, 16), **more), PLAN, True)


def test_a_medicine_that_nobody_classified_is_asked_today_where_surgery_is_near():
    ask = replace(OPEN, last_dose=None, days=None)
    near, far = plan(medicines=(ask,)), replace(plan(medicines=(ask,)), surgery=days(8))
    assert near.urgent and near.answer_by(ask) == TODAY
    far = replace(far, next_open=date(2026, 3, 16))
    assert not far.urgent and far.answer_by(ask) == date(2026, 3, 16)
    page = move_html([plan("Ann Near", "A-0001", medicines=(ask,)), replace(far, patient="Bea Far")])
    box = page[page.index("Cannot wait until tomorrow: 1 of 2") : page.index("Patient by patient")]
    assert "Ann Near" in box.split("</ul>")[0] and "Bea Far" not in box.split("</ul>")[0]


def test_the_patient_is_called_before_the_prescriber_and_it_says_why():
    found = calls(medicines=(SHORT,))
    assert [(c.role, c.again) for c in found] == [
        ("patient", False), ("prescriber", False), ("surgeon", False), ("patient", True),
    ]  # fmt: skip
    assert "the answer needs the last dose" in found[0].note
    assert "First day that fits all of them" in found[2].say[0]


def test_a_day_that_a_pause_does_not_fit_is_told_as_open_and_settled_in_the_second_call():
    first, _, surgeon, second = calls(medicines=(SHORT,))
    assert "The surgeon still has to say whether that day can stand" in " ".join(first.say)
    assert "does Wed 2026-03-18 stand?" in " ".join(surgeon.say)
    assert "Say whether Wed 2026-03-18 stands." in second.say and second.by == TODAY
    assert "whether the day stands" in second.note
    firm = calls(medicines=(OPEN,))
    assert "Your surgery is now on Wed 2026-03-18" in firm[0].say[0] and "stands" not in " ".join(firm[-1].say)


def test_whether_surgery_took_place_on_the_old_day_is_asked_before_anybody_is_called():
    over = replace(plan(medicines=(SHORT,), next_open=date(2026, 3, 16)), surgery_was=days(-1))
    found = calls_of(over, PLAN, True)
    assert found[0].role == "coordinator" and "no surgery took place" in found[0].say[0]


def test_the_patient_hears_what_to_take_when_to_come_and_when_we_call_again():
    said = " ".join(calls(medicines=(OPEN,), arrival=Moment(date(2026, 3, 18), time(5, 30)))[0].say)
    assert "change nothing by yourself until we call you: neither stop nor start it." in said
    assert "If you have stopped it already, tell me now since when: the prescriber is asked today." in said
    assert "We call you again about warfarin 2.5 mg by Sat 2026-03-14" in said
    assert "Come to the clinic on Wed 2026-03-18 05:30" in said


@pytest.mark.parametrize("told", [{}, {"is_stopped": True}, {"last_dose_was": TODAY, "days": 5}])
def test_no_word_to_the_patient_says_to_take_or_to_stay_off(told):
    """Insulin, a stent's tablets, a pause that does not fit: what the patient hears is no order about any of them."""
    two = (replace(SHORT, medicine="insulin glargine", **told), replace(OPEN, medicine="ticagrelor 90 mg", **told))
    for found in (calls(medicines=two), calls(medicines=two[:1])):
        said = " ".join(s for c in found if c.role == "patient" for s in c.say).lower()
        assert "change nothing by yourself until we call you: neither stop nor start" in said
        assert "stay off" not in said and " take each" not in said and "take it as" not in said
        prescriber = next(c for c in found if c.role == "prescriber")
        assert prescriber.by == TODAY and any("has stopped" in s and "say today" in s for s in prescriber.say)


def test_a_closed_day_and_a_lost_stay_are_calls_without_codes():
    closed = finding("WKL106", "surgery on Sun is a day on which the clinic is closed")
    found = calls(findings=(closed,), lost=(("discharge", days(15), days(5)),), medicines=(SHORT,))
    assert [c.role for c in found] == ["scheduler", "patient", "prescriber", "surgeon", "patient"]
    assert "closed by its own calendar" in found[0].say[0]
    lost = next(s for s in found[3].say if s.startswith("Discharge was given"))
    assert "Sun 2026-03-29 (4 nights)" in lost and "Thu 2026-03-19 (1 night)" in lost
    one = plan(findings=(closed,), calls=found, medicines=(SHORT,))
    assert "WKL106" not in move_html([one]) + move_text([one])


def test_each_medicine_sentence_stands_once_on_a_card_with_its_call_back():
    one = plan(medicines=(SHORT,))
    page = move_html([replace(one, calls=calls_of(one, PLAN, True))])
    assert page.count("first surgery day that keeps") == 1 and page.count("We call you again about warfarin") == 2


def test_the_nearest_surgery_comes_first_among_equals():
    late, soon = replace(plan("Ann Late", "A-0001"), surgery=days(90)), plan("Zoe Soon", "Z-0002")
    page, text = move_html([late, soon]), move_text([late, soon])
    assert page.index("Zoe Soon") < page.index("Ann Late") and text.index("Zoe Soon") < text.index("Ann Late")
