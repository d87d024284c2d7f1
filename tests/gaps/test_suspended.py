"""Surgery that is put off, another day expected: the patient stays on the list until there is one.

FHIR R4, CarePlan.status `on-hold`: "activities have been temporarily put on hold with an expectation of continuation".
"""

from dataclasses import replace
from datetime import timedelta

import pytest

from merge.small import SURGERY
from merge.stories import answer
from merge.worlds import Memory, later
from waykeeper.fhir import read_all
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import worklist
from waykeeper.gaps.model import TheatreCase, TheatreList
from waykeeper.merge import decide, withdraw
from waykeeper.report.permit import ensure_printable

TODAY = SURGERY - timedelta(days=10)
AFTER = SURGERY + timedelta(days=20)


def put_off(*, suspended=True):
    world = Memory()
    world.push()
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "flood", suspended=suspended, today=TODAY))
    return world


def rows(world, as_of=TODAY, theatre=None):
    return worklist(read_all(world.resources()), (), as_of, theatre=theatre).rows


def own(world, as_of=TODAY, theatre=None):
    (row,) = (r for r in rows(world, as_of, theatre) if r.kind == "plan")
    return row


@pytest.mark.parametrize(("as_of", "severity"), [(TODAY, 1), (SURGERY, 2), (AFTER, 2)])
def test_the_plan_asks_for_the_new_day_and_nothing_else_is_asked(as_of, severity):
    world = put_off()
    row = own(world, as_of)
    assert (row.verdict, row.gap, row.severity, row.by) == ("undated", True, severity, as_of)
    assert "flood" in row.reason and "new day" in row.next_action
    assert row.contactable
    assert {r.verdict for r in rows(world, as_of) if r.kind == "visit"} == {"excused"}
    assert [r.item for r in rows(world, as_of) if r.gap] == ["plan/plan"]


def test_a_plan_that_is_withdrawn_for_good_asks_for_no_day():
    row = own(put_off(suspended=False))
    assert (row.verdict, row.gap, row.contactable) == ("excused", False, False)


def test_moved_to_the_new_day_it_stands_again():
    world = put_off()
    decisions = decide(world.plan(surgery=later(21)), world.resources(), today=TODAY, reinstate=True)
    world.send(decisions)
    assert own(world).verdict == "current"


@pytest.mark.parametrize("days", [0, 14])
def test_the_theatre_list_shows_her_all_the_same(days):
    world, on = put_off(), SURGERY + timedelta(days=days)
    who = str(read_all(world.resources())[0][0].patient.identifier)
    listed = TheatreList((TheatreCase("case-1", (who,), on),), TODAY, AFTER)
    row = own(world, theatre=listed)  # one row of the plan, and none of an operation without one
    assert (row.verdict, row.severity) == ("date-differs", 3)
    assert on.isoformat() in row.next_action


def test_nothing_dated_is_printed_and_the_reason_is_the_true_one():
    plan, state = read_all(put_off().resources())[0]
    with pytest.raises(WaykeeperError) as refused:
        ensure_printable(plan, state)
    assert [f.code for f in refused.value.findings] == ["WKO003"]


@pytest.mark.parametrize(
    ("suspended", "said"),
    [(True, "surgery is put off (flood), another day is expected,"), (False, "the plan was withdrawn (flood),")],
)
def test_the_medicine_that_was_stopped_says_what_became_of_the_plan(suspended, said):
    """`The plan is withdrawn (surgery is put off ...)` said two things of one plan."""
    world = Memory()
    world.push()
    answer(world, 3, TODAY)
    world.push()
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "flood", suspended=suspended, today=SURGERY - timedelta(days=1)))
    row = next(r for r in rows(world, SURGERY - timedelta(days=1)) if r.kind == "hold")
    assert row.verdict == "restart-due" and row.severity == 3
    assert said in row.reason and row.reason.count("withdrawn") == (not suspended)


def test_on_the_theatre_list_with_a_plan_that_is_over():
    """It was called a patient without a plan, for whom one was to be made: of one who died too."""
    world = put_off(suspended=False)
    ((plan, state),) = read_all(world.resources())
    theatre = TheatreList((TheatreCase("case-1", (str(plan.patient.identifier),), SURGERY),), TODAY, AFTER)
    for died, says, to_do in ((False, "withdrawn", "--reinstate"), (True, "died", "taken off")):
        known = replace(state, deceased=died)
        (row,) = (r for r in worklist([(plan, known)], (), TODAY, theatre=theatre).rows if r.gap)
        assert (row.verdict, row.severity, row.contactable) == ("no-plan", 3, not died)
        assert says in row.reason and to_do in row.next_action and "make the plan today" not in row.next_action
