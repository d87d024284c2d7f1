"""A row that was closed while nobody knew whether it applies: it goes with the answer no, and is asked again with yes.

The list says of such a row to close it where the answer is no, so that is what people do (common practice, no source;
the pathway of these tests is made up).
"""

from datetime import date

import pytest

from merge.small import CALL, LATEX, VISIT, compiled
from merge.stories import output
from merge.worlds import Memory
from waykeeper.exchange.noted_changes import Noted, closed
from waykeeper.fhir import read_all
from waykeeper.fhir.told import IN_HAND
from waykeeper.gaps import worklist
from waykeeper.plan.model import Key

GLOVES = Key("task", "latex-free")  # only with an allergy to latex; due Sun 2026-03-15
AS_OF = date(2026, 3, 17)
CLOSING = Noted("Ruth Alderman, RN", date(2026, 3, 1), "does not apply", None, "")
ONLY = (
    (
        "title: Wound check\n        who: surgeon",
        "title: Wound check\n        who: surgeon\n        only_if: [latex_allergy]",
    ),
)


def closed_in(world, key=GLOVES, part="task"):
    ref, resource = world._held(key, part)
    world.put(ref, closed(resource, CLOSING))


def says(world, word):
    world.edit(LATEX, "ask", status="completed", output=[output("answer", valueString=word)])


def row(world, key=GLOVES, as_of=AS_OF):
    return next(r for r in worklist(read_all(world.resources()), [], as_of).rows if r.item == str(key))


@pytest.fixture
def world():
    made = Memory()
    made.push()
    closed_in(made)
    return made


def test_with_the_answer_no_it_goes_and_nobody_is_asked(world):
    says(world, "no")
    made = world.push()
    task = world.at(GLOVES, "task")
    assert made.conflicts == () and task["status"] == "cancelled" and row(world).verdict == "excused"
    assert "does not apply" in [n["text"] for n in task["note"]]  # nobody's word is lost
    assert world.push().changing == ()


def test_with_the_answer_yes_it_is_listed_again(world):
    says(world, "yes")
    world.push()
    found, task = row(world), world.at(GLOVES, "task")
    assert (found.verdict, found.gap, found.closed) == ("overdue", True, False)
    assert task["status"] == "requested" and task["note"][-1]["text"].endswith("It had been closed: does not apply.")
    assert world.push().changing == ()


def test_so_it_is_where_the_answer_was_no_at_first(world):
    says(world, "no")
    world.push()
    says(world, "yes")
    world.push()
    assert (row(world).verdict, row(world).gap, row(world).closed) == ("overdue", True, False)


def test_closed_once_it_was_known_it_stays_closed(world):
    says(world, "yes")
    world.push()
    closed_in(world)
    world.push()
    assert row(world).closed


def test_what_applies_to_everybody_stays_closed(world):
    closed_in(world, CALL)
    says(world, "yes")
    world.push()
    assert row(world, CALL).closed


@pytest.mark.parametrize("fields", [{"status": "in-progress"}, {"owner": {"display": "Nurse 3"}}])
def test_who_works_on_it_is_asked_all_the_same(world, fields):
    world.edit(GLOVES, "task", **fields)
    says(world, "no")
    assert [q.key for q in world.push().conflicts] == [GLOVES]


@pytest.mark.parametrize("side", [None, "theirs"])
def test_what_stands_because_somebody_works_on_it_makes_no_answer_doubtful(world, side):
    """The task is of an older plan, which did not know the answer; no record says the opposite of it."""
    world.edit(GLOVES, "task", status="in-progress")
    says(world, "no")
    world.push()
    if side:
        world.push(take={str(GLOVES): side})
    assert row(world, LATEX).verdict == "done" and "record" not in row(world).reason


@pytest.mark.parametrize("answers", [["yes"], ["no", "yes"]])
def test_a_visit_that_was_closed_before_it_was_known_to_apply_is_listed_again(answers):
    """A visit is closed on a Task beside it, which goes with the visit and may not speak when it comes back."""
    world = Memory()
    world.push(world.plan(changes=ONLY))
    ref, request = world._held(VISIT, "request")
    episode = compiled(world.identifier).episode
    own = episode.uuid("visit", VISIT.item, IN_HAND, "", 1)
    world.add(closed(_in_hand(own, ref, request), CLOSING))
    later = date(2026, 3, 20)
    assert row(world, VISIT, later).closed
    for answer in answers:
        says(world, answer)
        world.push(world.plan(changes=ONLY))
    assert world.push(world.plan(changes=ONLY)).changing == ()
    assert not row(world, VISIT, later).closed and row(world, VISIT, later).gap


def _in_hand(own, ref, request):
    system = "https://alder-quay.example/identifier/plan"
    code = {"coding": [{"system": output("x")["type"]["coding"][0]["system"], "code": IN_HAND}]}
    return {
        "resourceType": "Task", "identifier": [{"system": system, "value": own}], "status": "requested",
        "intent": "plan", "code": code, "focus": {"reference": ref}, "for": request["subject"],
    }  # fmt: skip
