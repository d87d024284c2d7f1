"""What the sheet says of the morning of surgery: beta blockers go on through it (2014 pocket table), nobody guesses."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from report.builder import SURGERY, hold, plan
from waykeeper.medicines import AS_NEEDED, MORNING, NOT_SWALLOWED, RESCUE
from waykeeper.pathway.reading import grade
from waykeeper.plan.model import HoldAnswer, ItemState, Key, Plan, State
from waykeeper.report.interface import interface
from waykeeper.report.medicine_lines import medicine_line
from waykeeper.report.selection import check_code
from waykeeper.report.sheet import _weekday_before, sheet_html

KEY = Key("medicine", "urn:rx|9")
AS_OF = date(2026, 3, 1)
SAID = {
    "en": (
        "Take it on the morning of surgery too",
        "Ask us, before the day of surgery, if you should take it that morning.",
    ),
    "es": (
        "Tómela también la mañana de la operación",
        "Pregúntenos, antes del día de la operación, si la toma o no esa mañana.",
    ),
}


def continued(*notes: str, decision: str = "continue", name: str = "Metoprolol 25 mg") -> Plan:
    row = hold("x", name, 0)
    assert row.hold is not None
    proposal = replace(row.hold, decision=decision, notes=notes, missed_days=None, last_dose=None, first_missed=None)
    return replace(plan(), items=(replace(row, key=KEY, hold=proposal),))


def answer(text: str = "", decision: str = "continue") -> State:
    return State(items={KEY: ItemState(KEY, answer=HoldAnswer(decision, text=text, by="Dr. Fenwick"))})


def sheet(made: Plan, state: State, language: str = "en", as_of: date = AS_OF) -> str:
    return sheet_html(made, state, as_of=as_of, language=language, checked_against=None)


@pytest.mark.parametrize("language", ["en", "es"])
def test_what_was_confirmed_to_go_on_through_the_morning_says_so(language: str) -> None:
    html = sheet(continued(MORNING), answer(), language)
    assert SAID[language][0] in html and SAID[language][1] not in html
    assert interface(language).say("reminder_morning", medicine="Metoprolol 25 mg") in html
    assert interface(language).say("reminder_ask") not in html


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize(
    ("made", "state"),
    [
        (continued(), answer()),  # its rule says nothing of the morning
        (continued(MORNING, decision="ask"), answer()),  # it was not proposed so
        (continued(MORNING), answer("not on the morning itself")),  # the prescriber's own words may say otherwise
    ],
)
def test_where_nobody_has_said_it_the_patient_asks(made: Plan, state: State, language: str) -> None:
    html = sheet(made, state, language)
    assert SAID[language][1] in html and SAID[language][0] not in html
    assert interface(language).say("reminder_ask") in html


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_medicine_for_when_it_is_needed_is_not_kept_taking(language: str) -> None:
    words = interface(language)
    html = sheet(continued(AS_NEEDED), answer(), language)
    assert words.say("take_as_needed") in html and words.say("morning_as_needed") in html
    assert words.say("continue_medicine") not in html and SAID[language][0] not in html


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_rescue_medicine_is_used_as_always_and_brought_along(language: str) -> None:
    """Common practice, no source: an inhaler for an attack is at hand on the day of surgery."""
    words = interface(language)
    for notes in ((RESCUE,), (RESCUE, AS_NEEDED, NOT_SWALLOWED)):
        html = sheet(continued(*notes), answer(), language)
        assert words.say("rescue_as_always") in html and words.say("rescue_bring") in html
        for key in ("morning_ask", "morning_as_needed", "take_as_needed", "continue_medicine", "reminder_ask"):
            assert words.say(key) not in html


@pytest.mark.parametrize("language", ["en", "es"])
def test_of_drops_patches_and_creams_nothing_is_asked_for_the_morning(language: str) -> None:
    words = interface(language)
    daily = sheet(continued(NOT_SWALLOWED), answer(), language)
    needed = sheet(continued(AS_NEEDED, NOT_SWALLOWED), answer(), language)
    assert words.say("continue_medicine") in daily and words.say("take_as_needed") in needed
    for html in (daily, needed):
        assert not any(
            words.say(k) in html for k in ("morning_ask", "morning_as_needed", "morning_too", "reminder_ask")
        )


def test_the_patient_asks_on_the_last_weekday_before_and_never_on_the_day_itself() -> None:
    """Surgery is on Wed 2026-03-18: nobody answers at five in the morning of that day."""
    ask, words = interface("en").say("reminder_ask"), SAID["en"][1]
    for made in (continued(), continued(AS_NEEDED)):
        today = sheet(made, answer(), as_of=SURGERY)
        assert ask not in today and words not in today and "Ask us, before" not in today
    before = sheet(continued(), answer(), as_of=date(2026, 3, 17))
    assert before.index(interface("en").date(date(2026, 3, 17))) < before.index(ask) and words in before


@pytest.mark.parametrize(("surgery", "asked"), [(16, 13), (17, 16), (20, 19), (21, 20), (22, 20)])
def test_the_day_to_ask_is_a_weekday(surgery: int, asked: int) -> None:
    assert _weekday_before(date(2026, 3, surgery)) == date(2026, 3, asked)


@pytest.mark.parametrize("text", ["Continue, also on the morning of surgery", "also on the day of surgery."])
def test_a_prescriber_who_says_the_morning_has_said_it(text: str) -> None:
    assert SAID["en"][0] in sheet(continued(), answer(text))
    assert SAID["en"][0] not in sheet(continued(), answer(f"not {text}"))


def test_words_of_the_answer_are_not_told_as_only_when_needed() -> None:
    html = sheet(continued(AS_NEEDED), answer("take it twice a day"))
    assert interface("en").say("take_as_needed") not in html and interface("en").say("continue_medicine") in html


def test_after_surgery_what_is_taken_as_needed_says_nothing_of_the_operation() -> None:
    html = sheet(continued(AS_NEEDED), answer(), as_of=date(2026, 3, 19))
    assert interface("en").say("take_as_needed") in html and "for the surgery" not in html


def test_an_unanswered_one_says_nothing_of_a_morning() -> None:
    html = sheet(continued(MORNING), State())
    assert "until we call you" in html and "morning of surgery" not in html and "This morning, with" not in html


def test_after_surgery_nothing_is_said_of_its_morning() -> None:
    for as_of, said in ((SURGERY, True), (date(2026, 3, 19), False)):
        html = sheet(continued(MORNING), answer(), as_of=as_of)
        assert ("Take it on the morning of surgery too" in html) == said
        assert ("This morning, with a small sip" in html) == said
        assert "Keep taking this." in html


def test_the_morning_is_in_the_check_code_and_other_answers_have_none() -> None:
    assert check_code(continued(MORNING), answer()) != check_code(continued(), answer())
    told = continued(MORNING)
    assert medicine_line(told, told.items[0], answer(decision="adjust")).morning == ""


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize(
    "key",
    [
        "morning_too", "morning_ask", "take_as_needed", "morning_as_needed", "reminder_ask", "rescue_as_always",
        "rescue_bring",
    ],
)  # fmt: skip
def test_the_sentences_are_at_grade_six(key: str, language: str) -> None:
    """School grade 6 at most (the trade's usual aim; common practice, no source)."""
    found = grade(interface(language).say(key), language)
    assert found is not None and found[1] <= 6
