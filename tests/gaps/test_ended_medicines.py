"""Medicines that the list has as stopped or used up: a question to the patient before surgery, none after it.

A record holds years of orders; that each was one row of the gravest kind from the day of surgery on hid the others.
That what is not taken any more is asked of the patient when the list is looked through: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from gaps.plans import SURGERY, dates, item, plan
from waykeeper.gaps import worklist
from waykeeper.plan.model import HoldAnswer, HoldProposal, ItemState, Key, State
from waykeeper.report.blocks import blocks, same_step
from waykeeper.report.shown import is_over
from waykeeper.timing.model import Standing

EVE, AFTER = SURGERY - timedelta(days=1), SURGERY + timedelta(days=1)
WEEK_BEFORE = SURGERY - timedelta(days=7)
ENDED = HoldProposal("already stopped", "amoxicillin 500 mg capsule")


def medicine(name: str, hold: HoldProposal):
    due = replace(dates(), due_from=SURGERY - timedelta(days=14))
    return item("medicine", name, due, harm=3, hold=hold)


def made(standing=Standing.RECORDED, hold=ENDED):
    goes_on = HoldProposal("continue", "atorvastatin 40 mg tablet")
    return plan(medicine("one", hold), medicine("on", goes_on), medicine("two", hold), standing=standing)


def rows(as_of: date, of=None, state=None):
    return {r.item.partition("/")[2]: r for r in worklist([(of or made(), state or State())], [], as_of).rows}


@pytest.mark.parametrize(
    ("day", "wanted"),
    [(WEEK_BEFORE, ("due", 1)), (EVE, ("due", 1)), (SURGERY, ("overdue", 2)), (AFTER, ("overdue", 1))],
)
def test_what_has_ended_is_never_of_the_gravest_kind(day, wanted):
    row = rows(day)["one"]
    assert (row.verdict, row.severity, row.gap) == (*wanted, True)
    assert "stopped or used up" in row.reason


@pytest.mark.parametrize(("standing", "over"), [(Standing.RECORDED, True), (Standing.GIVEN, False)])
def test_after_a_surgery_that_took_place_it_is_only_to_be_recorded(standing, over):
    found = rows(AFTER, made(standing))
    assert is_over(found["one"], AFTER) is over
    assert not is_over(found["on"], AFTER)  # what goes on is still to be confirmed
    assert not is_over(rows(SURGERY, made(standing))["one"], SURGERY)


def test_one_that_works_for_weeks_asks_as_before_until_surgery():
    found = rows(SURGERY, made(hold=replace(ENDED, question="on which day was the last dose?")))
    assert (found["one"].severity, found["one"].together) == (3, "")


def test_one_question_about_all_of_them_is_printed_once():
    found = rows(WEEK_BEFORE)
    assert found["one"].together == found["two"].together != "" == found["on"].together
    (block,) = blocks([r for r in found.values() if r.gap], WEEK_BEFORE)
    first, second = (r for r in block if r.together)
    assert block.index(second) == block.index(first) + 1
    assert same_step(second, first)
    assert not same_step(found["on"], second)


def test_an_answer_settles_it():
    said = ItemState(Key("medicine", "one"), "requested", "open", answer=HoldAnswer("already stopped", None))
    found = rows(AFTER, state=State({said.key: said}))
    assert (found["one"].gap, found["two"].gap) == (False, True)
