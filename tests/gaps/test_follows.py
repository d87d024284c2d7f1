"""A task that counts from another one being done has its day once that is recorded: results are acted on two working
days after the blood tests (a clinic's setting)."""

from __future__ import annotations

from datetime import date

import pytest

from gaps.plans import dates, item, plan
from waykeeper.gaps import worklist
from waykeeper.plan.model import ItemState, Key, State

TESTS, RESULTS = Key("task", "blood-tests"), Key("task", "results-acted")
FRIDAY = date(2026, 2, 27)


def row(as_of, done_on=FRIDAY, phrase="2 working days after completion of blood-tests", cls="done", **more):
    due = dates(date(2026, 3, 11))
    waits = dates(awaited="completion of blood-tests")
    made = plan(
        item("task", "blood-tests", due),
        item("task", "results-acted", waits, harm=3, phrase=phrase, who="coordinator"),
        item("gate", "ready", due, needs=(RESULTS,), who="coordinator"),
        **more,
    )
    known = State({TESTS: ItemState(TESTS, cls=cls, done_on=done_on)})
    rows = worklist([(made, known)], [], as_of).rows
    return tuple(next(r for r in rows if r.item == name) for name in (str(RESULTS), "gate/ready"))


@pytest.mark.parametrize(
    ("as_of", "word", "severity"),
    [
        (date(2026, 2, 26), "undated", 0),  # not yet done on that day
        (FRIDAY, "due", 1),
        (date(2026, 3, 3), "due", 1),
        (date(2026, 3, 4), "overdue", 3),
    ],
)
def test_it_is_asked_for_from_the_day_on_which_the_other_was_done(as_of, word, severity):
    found, _ = row(as_of)
    assert (found.verdict, found.severity) == (word, severity)
    assert found.target == (None if word == "undated" else date(2026, 3, 3))


def test_the_clinics_closed_days_are_no_working_days():
    found, _ = row(FRIDAY, weekdays=(0, 1, 2, 3, 4), closed=(date(2026, 3, 2),))
    assert found.target == date(2026, 3, 4)


def test_the_check_that_needs_it_says_that_it_is_not_done():
    _, gate = row(date(2026, 3, 12))
    assert "Not done: Results acted" in gate.reason


@pytest.mark.parametrize("more", [{"done_on": None}, {"cls": "open"}, {"phrase": "1 week after completion of films"}])
def test_without_the_day_on_which_it_was_done_it_waits(more):
    found, _ = row(date(2026, 3, 12), **more)
    assert found.verdict == "undated"
