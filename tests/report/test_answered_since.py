"""What an answer may forbid is not printed as to be done, and what it may ask for is not dropped: the patient asks.

A wash with a soap that the patient turns out to be allergic to (product label: not to be used), as of before surgery
on 2026-03-18. The plan does not say which answer keeps an item; only compile does.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from report.builder import SURGERY, item, plan, point
from report.caseload import AS_OF as LATER
from report.caseload import plans, report
from report.test_sheet import Page, chunk
from waykeeper.findings import WaykeeperError
from waykeeper.plan.model import Evidence, ItemState, Key, Plan, State
from waykeeper.report.calendars import calendar_events, calendar_ics
from waykeeper.report.interface import interface
from waykeeper.report.letters import letter_html
from waykeeper.report.selection import check_code, select
from waykeeper.report.sheet import sheet_html

AS_OF = date(2026, 3, 10)
NOW = datetime(2026, 3, 10, 15, 0, tzinfo=UTC)
ASK = Key("question", "soap_allergy")
WASH = "task/wash/evening-1"
HANGS = ("wash", "fasting", "two-week", "no-weight", "shoe", "therapy", "class")
DO = {"en": "Ask us first if you should do this:", "es": "Pregúntenos primero si debe hacer esto:"}
STEPS = ("Wash your whole body", "Eat and drink nothing")


def made(**fields) -> Plan:
    """The invented patient's plan, in which one of each kind hangs on a question."""
    first = plan(**fields)
    items = [replace(i, undecided=(ASK.item,)) if i.key.item in HANGS else i for i in first.items]
    keys = tuple(i.key for i in items if i.undecided)
    ask = item("question", ASK.item, "Any rash from the soap?", point(date(2026, 3, 9)), fact=ASK.item, asks_for=keys)
    return replace(first, items=(*items, ask))


def state(answer="yes", **fields) -> State:
    return State({ASK: ItemState(ASK, "completed", "done", fact_answer=answer, done_on=date(2026, 3, 4), **fields)})


def sheet(one: Plan, held: State, language="en", **more) -> str:
    return sheet_html(one, held, as_of=AS_OF, language=language, checked_against="https://fhir.example", **more)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("answer", ["yes", "no", "Yes, a rash"])
def test_a_step_that_hangs_on_an_answer_says_to_ask_first_and_keeps_its_day(answer, language):
    html = sheet(made(), state(answer), language)
    line, said = Page(chunk(html, WASH)).words, interface(language).say
    assert DO[language] in line and said("ask_first") in line, "never as to be done, whatever was answered"
    assert said("undecided") not in line and said("do_by") not in line
    days = html[html.index('id="days"') :]
    assert WASH in days, "it stands on its day: it may be demanded"
    assert Page(html).words.count(said("new_answer")) == 1
    for step in ("fasting", "class"):
        key = next(str(i.key) for i in made().items if i.key.item == step)
        assert DO[language] in Page(chunk(html, key)).words


def test_what_does_not_hang_on_it_and_what_is_not_answered_reads_as_before():
    unasked, answered = sheet(made(), State()), sheet(made(), state())
    assert DO["en"] not in Page(unasked).words and interface("en").say("new_answer") not in unasked
    assert interface("en").say("undecided") in Page(chunk(unasked, WASH)).words
    key = "instruction/no-shaving"
    assert chunk(unasked, key) == chunk(answered, key)


def test_a_visit_asks_whether_it_is_needed_and_a_rule_or_a_goal_stays_with_its_note():
    html, note = sheet(made(), state()), interface("en").say("ask_first")
    visit = Page(chunk(html, "visit/two-week")).words
    assert visit.startswith("Ask us first if you need this visit: Come to the clinic") and note in visit
    for key, text in (
        ("restriction/no-weight", "Put no weight"),
        ("goal/shoe", "Walks in a"),
        ("visit/therapy", "Ask"),
    ):
        line = Page(chunk(html, key)).words
        assert line.startswith(text) and note in line


def test_a_plan_made_with_the_answer_prints_as_before():
    known = replace(made(answers="0123456789ab soap_allergy=no"), items=plan().items)
    assert DO["en"] not in Page(sheet(known, state("no"))).words
    again = replace(made(), answers="0123456789ab soap_allergy=no")
    assert DO["en"] in Page(sheet(again, state("no"))).words, "the record says the opposite: still in doubt"


@pytest.mark.parametrize("now", ["yes", ""])
def test_an_answer_changed_or_taken_back_reaches_what_was_decided_by_it(now):
    one = made(answers="0123456789ab soap_allergy=no")
    one = replace(one, items=tuple(replace(i, undecided=()) for i in one.items))
    assert DO["en"] in Page(chunk(sheet(one, state(now)), WASH)).words
    assert DO["en"] not in Page(sheet(one, state("no"))).words


def test_a_step_that_an_answer_left_out_and_a_new_one_may_ask_for_is_at_least_announced():
    """It has no day that could be trusted, so only the page as a whole says that a step may be missing."""
    one = made(answers="0123456789ab soap_allergy=no")
    gone = Key("task", "wash", "evening-1")
    items = tuple(replace(i, undecided=()) for i in one.items if i.key == gone or i.key == ASK)
    away = ItemState(gone, "cancelled", "withdrawn", withdrawn_by_us=True)
    for answer, said in (("yes", True), ("no", False)):
        held = State({**state(answer).items, gone: away})
        assert (interface("en").say("new_answer") in sheet(replace(one, items=items), held)) is said


@pytest.mark.parametrize("language", ["en", "es"])
def test_no_event_of_the_calendar_says_to_do_what_an_answer_may_forbid(language):
    events = calendar_events(made(), state(), interface(language), None)
    mine = {str(e.key): e for e in events if e.key.item in ("wash", "fasting", "class")}
    assert len(mine) == 5
    for event in mine.values():
        assert event.summary.startswith(DO[language]), "the alarm rings with these words"
        assert interface(language).say("ask_first") in event.notes
    before = {str(e.key): e for e in calendar_events(made(), State(), interface(language), None)}
    assert set(before) == {str(e.key) for e in events}, "each event is replaced, none is dropped"
    assert all(mine[key].start == before[key].start for key in mine if "class" not in key)
    text = calendar_ics(made(), state(), sequence=1, now=NOW, language=language).decode().replace("\r\n ", "")
    alarms = [line for line in text.splitlines() if line.startswith(("SUMMARY", "DESCRIPTION"))]
    for line in alarms:
        for step in STEPS if language == "en" else ("Lave todo su cuerpo", "No coma ni beba"):
            assert step not in line or DO[language] in line


def test_a_booked_visit_is_kept_in_the_calendar_and_asks():
    booked = Evidence("Appointment/1", "appointment", "booked", day=date(2026, 4, 1),
                      start=datetime(2026, 4, 1, 15, 0, tzinfo=UTC))  # fmt: skip
    events = calendar_events(made(), state(), interface("en"), {Key("visit", "two-week"): booked})
    event = next(e for e in events if e.key.item == "two-week")
    assert event.summary.startswith("Ask us first if you need this visit") and event.notes and event.alarms


def test_the_check_code_tells_the_two_sheets_apart():
    codes = {check_code(made(), State()), check_code(made(), state())}
    assert len(codes) == 2, "a nurse on the telephone finds out that the sheet at home is of before"
    assert check_code(plan(), State()) == check_code(plan(), State({ASK: ItemState(ASK)}))


def test_every_item_is_still_printed_once_or_left_out_with_a_reason():
    for as_of in (AS_OF, SURGERY, LATER):
        chosen = select(made(), state(), as_of=as_of, language="en")
        assert sorted([e.key for e in chosen.entries] + [x.key for x in chosen.left_out]) == sorted(
            i.key for i in made().items
        )


def test_no_letter_asks_for_a_visit_that_may_not_be_needed():
    first = plans()[0]
    items = tuple(replace(i, undecided=(ASK.item,)) if i.key.item == "six-week" else i for i in first.items)
    ask = item("question", ASK.item, "Any rash?", point(date(2026, 3, 9)), fact=ASK.item)
    one = replace(first, items=(*items, ask))
    before = letter_html(one, State(), report().rows, as_of=LATER, language="en")
    after = letter_html(one, state(), report().rows, as_of=LATER, language="en")
    assert "Come for a film" in before and "Come for a film" not in after and "how you walk" in after
    only = [r for r in report().rows if r.item == "visit/six-week"]
    with pytest.raises(WaykeeperError, match="WKO008"):
        letter_html(one, state(), only, as_of=LATER, language="en")
