"""The page and the text of moves: every call once, urgent patients first, nothing for whom nothing may be printed."""

import re
from dataclasses import replace
from datetime import date

import pytest

from waykeeper.merge.difference import Row, Turned
from waykeeper.merge.medicine_changes import MedicineChange
from waykeeper.plan.model import Key
from waykeeper.report.move_page import move_html
from waykeeper.report.move_text import move_text
from waykeeper.report.moves import Call, MovedPlan, Rebook, medicine_sentence, move_json
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
    assert "3 of 5 are still possible" in said and "Earliest surgery that keeps 5: Fri 2026-03-20" in said
    assert "Last dose recorded: Sat 2026-03-14" in said
    assumed = medicine_sentence(replace(SHORT, last_taken=None), None)
    assert "No dose is recorded: counted from Sat 2026-03-14" in assumed


@pytest.mark.parametrize(
    ("need", "word"),
    [
        ("stop today", "Say now"),
        ("ask about restart", "Say today whether it restarts"),
        ("stays stopped", "no dose to take"),
        ("approve again", "approve again"),
        ("answer", "still to be answered"),
        ("ask", "no number of days"),
        ("no longer listed", "no longer on the list"),
    ],
)
def test_each_need_has_its_sentence(need, word):
    said = medicine_sentence(medicine(need=need, again=need == "approve again"), Moment(date(2026, 3, 18)))
    assert word in said and said.endswith(".")
    assert ("counts no more" in said) == (need == "approve again")


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
        "surgery: a -> b", "why: flood (Ann)", "AAA-111 is superseded", "CANNOT BE MET",
        "by Sat 2026-03-14 | TODAY, FIRST",
        "Wash (evening): 2026-03-17 (done for it), patient", "Call: 2026-03-18 -> 2026-03-11", "UNCHANGED: 1",
        "none was cancelled", "NO TIME LEFT FOR",
    ):  # fmt: skip
        assert wanted in flat, wanted


def test_many_plans_urgent_first_and_failures_before_all():
    calm, urgent = plan("Ann Calm", "A-0001"), plan("Zoe Urgent", "Z-0002", medicines=(SHORT,), calls=(CALL,))
    text = move_text([calm, urgent], failed=[("line 3, patient ...003", "no such plan")])
    assert text.index("NOT MOVED: 1") < text.index("Zoe Urgent") < text.index("Ann Calm")
    assert text.startswith("3 patients: 2 moved, 1 not moved.") and "A-0001" not in text
    page = move_html([calm, urgent], failed=[("line 3", "no such plan")])
    assert page.index("no such plan") < page.index("Zoe Urgent") < page.index("Ann Calm")
    assert page.count('<article class="card') == 2 and "Whom to call about whom" in page


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
    assert row["say"] == medicine_sentence(SHORT, None)
    assert told["calls"][0] == {
        "to": "Prescriber", "role": "prescriber", "telephone": "312-555-0104", "by": "2026-03-14",
        "say": ["Decide about <warfarin>."], "urgent": True,
    }  # fmt: skip
