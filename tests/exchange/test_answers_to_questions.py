"""An answer to a question is noted, put right, and says at once that the plan is to be made again."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

import pytest

from merge.small import HOLD, LATEX, compiled
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import answers, bundle, read
from waykeeper.findings import WaykeeperError

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY = date(2026, 3, 1)
AGAIN = "the plan was not made with this answer: make it again (compile --from) and push it"


def say(one, text):
    return note(*one, str(LATEX), "fact", by="RA", on=DAY, text=text)


def task(one):
    _, state = read(plan_resources(*one))
    return one[0].read(state.items[LATEX].references["ask"])


def make_again(one):
    _, state = read(plan_resources(*one))
    push(bundle(compiled(one[1], answers=answers(state))), one[0], now=NOW)


def test_an_answer_says_that_the_plan_is_to_be_made_again_until_it_is(one):
    assert say(one, "yes").endswith(f"; {AGAIN}")
    again = say(one, "yes")
    assert ": as it was noted before" in again and again.endswith(AGAIN), "it still is to be made again"
    make_again(one)
    assert say(one, "yes").endswith(": as it was noted before")


@pytest.mark.parametrize(("first", "then"), [("no", "yes"), ("yes", "no")])
def test_a_wrong_answer_is_put_right_and_stays_told(one, first, then):
    """A slip at an allergy could not be put right: the question was 'completed already'."""
    say(one, first)
    make_again(one)
    assert say(one, then).endswith(AGAIN)
    made = task(one)
    assert [o["valueString"] for o in made["output"]] == [then] and made["status"] == "completed"
    assert made["note"][-1]["text"] == f"Answered before: {first}."
    assert answers(read(plan_resources(*one))[1]).facts == {LATEX.item: then}
    assert AGAIN not in say(one, first), "with the answer of before the plan was made"
    assert task(one)["note"][-1]["text"] == f"Answered before: {then}."


def as_of_before(one):
    """The plan made again as a version did that wrote no answers into the digest, only its digits."""
    make_again(one)
    made, state = read(plan_resources(*one))
    digits, _, words = made.answers.partition(" ")
    root = json.dumps(one[0].read(state.plan_reference))
    assert f"{digits} {words}" in root
    one[0].send("PUT", state.plan_reference, json.loads(root.replace(made.answers, digits)))
    assert read(plan_resources(*one))[0].answers == digits


def test_of_an_older_plan_the_digits_say_whether_it_was_made_with_an_answer(one):
    """The same answer, noted again, asked to make the plan again with it; the list said nothing of that."""
    say(one, "no")
    as_of_before(one)
    assert say(one, "no").endswith(": as it was noted before")
    assert say(one, "yes").endswith(f"; {AGAIN}")
    assert AGAIN not in say(one, "no"), "with the answer of before the plan was made"


def test_where_the_digits_do_not_say_it_a_note_says_so(one):
    say(one, "no")
    as_of_before(one)
    note(*one, "task/blood-tests", "done", by="RA", on=DAY)
    note(*one, str(HOLD), "answered", by="RA", on=DAY, days=3)
    said = say(one, "yes")
    assert AGAIN not in said and "the plan does not say whether it was made with this answer" in said


@pytest.mark.parametrize("status", ["completed", "failed", "rejected"])
def test_what_another_system_closed_without_an_answer_can_be_answered(one, status):
    server, found = one[0], task(one)
    server.send("PUT", f"Task/{found['id']}", {**found, "status": status})
    assert say(one, "no").endswith(AGAIN)
    assert answers(read(plan_resources(*one))[1]).facts == {LATEX.item: "no"}


def test_nothing_is_answered_on_a_withdrawn_plan(one):
    say(one, "no")
    withdraw(*one, "surgery cancelled", now=NOW)
    with pytest.raises(WaykeeperError) as refused:
        say(one, "yes")
    assert "the plan was withdrawn (surgery cancelled)" in refused.value.findings[0].details
