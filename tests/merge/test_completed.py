"""A plan that is completed: what was not done is withdrawn, says why, and is read as it stood."""

from __future__ import annotations

from datetime import date

import pytest

from merge.small import BLOOD, CALL, HOLD, VISIT, WEIGHT, instant
from merge.worlds import Memory
from waykeeper.fhir import evidence, read_all
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.gaps import worklist
from waykeeper.merge.end import complete
from waykeeper.merge.guards import guards
from waykeeper.merge.held import holding
from waykeeper.merge.model import Decisions
from waykeeper.plan.model import Completion

NOW = date(2026, 11, 26)
SAID = {"authorString": "Ruth Alderman, RN", "time": "2026-11-26", "text": "Plan completed: well, by telephone"}
END = Completion(NOW, "Ruth Alderman, RN", "well, by telephone")


@pytest.fixture
def world():
    made = Memory()
    made.push()
    made.edit(BLOOD, "task", status="completed", executionPeriod={"end": "2026-03-02"})
    return made


def completed(world, *fulfilled) -> Decisions:
    made = complete(world.plan(), world.resources(), SAID, set(fulfilled))
    world.send(made)
    return made


def report(world):
    held = world.resources()
    return worklist(read_all(held), evidence(held, "America/Chicago"), NOW)


def test_no_word_changes_and_what_was_open_leaves_the_list(world):
    before = {r.item: (r.verdict, r.gap) for r in report(world).rows}
    completed(world)
    after = report(world)
    assert {r.item: (r.verdict, r.gap) for r in after.rows if r.kind != "plan"} == {
        k: v for k, v in before.items() if k != "plan/plan"
    }
    assert before[str(VISIT)] == ("missed", True), "of nothing a word would not change"
    left = {r.item for r in after.gaps}
    assert left == {str(HOLD), str(WEIGHT), "plan/plan"}, "what waits for a decision stays"
    assert world.state().completed == END


def test_nothing_of_it_is_open_and_each_says_why(world):
    completed(world, VISIT)
    assert world.at(PLAN_KEY, "plan")["status"] == "completed" and world.at(PLAN_KEY, "plan")["note"] == [SAID]
    assert world.at(VISIT, "request")["status"] == "completed", "it was kept"
    assert world.at(VISIT, "appointment")["status"] == "cancelled"
    assert (world.at(CALL, "task")["status"], world.at(CALL, "task")["statusReason"]) == (
        "cancelled", {"text": SAID["text"]}
    )  # fmt: skip
    assert world.at(BLOOD, "task")["status"] == "completed"
    assert not [r for _, r in world.resources() if r.get("status") in ("active", "requested", "proposed", "on-hold")]
    assert complete(world.plan(), world.resources(), SAID, set()).changing == ()


def test_a_booking_is_the_schedulers(world):
    world.edit(
        VISIT, "appointment", status="booked", start=instant(date(2026, 12, 1)), end=instant(date(2026, 12, 1), 10)
    )
    told = completed(world)
    assert world.at(VISIT, "appointment")["status"] == "booked"
    assert told.notices == (f"{VISIT}: booked: a person must cancel it with the scheduler",)
    (row,) = [r for r in report(world).gaps if r.item == str(VISIT)]
    assert row.verdict == "booked-late" and "Closed by Ruth Alderman, RN on Thu 2026-11-26" in row.reason


def test_no_push_and_no_move_brings_it_back(world):
    plan = world.plan()
    completed(world)
    for options in ({}, {"moving": True}, {"reinstate": True}, {"moving": True, "reinstate": True}):
        assert [f.code for f in guards(plan, holding(plan.episode, world.resources()), **options)] == ["WKU109"]


def test_set_back_to_active_what_was_not_done_is_on_the_list_again_before_any_push(world):
    before = {(r.item, r.verdict, r.gap, r.severity, r.closed) for r in report(world).rows}
    completed(world)
    world.edit(PLAN_KEY, "plan", status="active")
    assert {(r.item, r.verdict, r.gap, r.severity, r.closed) for r in report(world).rows} == before


def test_set_back_to_active_by_a_person_it_goes_on(world):
    plan = world.plan()
    completed(world)
    world.edit(PLAN_KEY, "plan", status="active")
    assert world.state().completed is None
    assert guards(plan, holding(plan.episode, world.resources())) == []
    world.push(plan)
    assert world.at(CALL, "task")["status"] == "requested" and world.at(VISIT, "request")["status"] == "active"
    assert world.push().changing == ()
