"""A person changed a CarePlan and the plan moved: asked once, and what else waits for an answer goes on waiting."""

import pytest

from merge.small import CALL
from merge.stories import words
from merge.worlds import Memory, later
from waykeeper.fhir import identity
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.merge.questions import conflict_key


def phase_of(world):
    """The key of the plan's first phase."""
    said = [k.key for _, r in world.resources() if (k := identity(r)) and k.key.kind == "phase"]
    return min(said, key=str)


def disputed(world, key, part):
    """Dates of a CarePlan and of a task, changed by a person before the surgery moves."""
    world.push()
    world.edit(CALL, "task", restriction={"period": {"end": "2026-03-02"}})
    world.edit(key, part, period={"start": "2026-01-05", "end": "2026-12-01"})
    return world.push(surgery=later(21))


@pytest.mark.parametrize("which", ["root", "phase"])
def test_a_conflict_about_a_care_plan_closes_no_other(which):
    world = Memory()
    world.push()
    key, part = (PLAN_KEY, "plan") if which == "root" else (phase_of(world), "phase")
    first = disputed(world, key, part)
    asked = {str(q.key) for q in first.conflicts}
    assert asked == {str(CALL), str(key)}
    assert len(world.conflicts()) == 2
    again = world.push(surgery=later(21))
    assert again.changing == ()
    assert {str(q.key) for q in again.conflicts} == asked and len(again.conflicts) == 2
    assert len(world.conflicts()) == 2


def test_its_task_is_among_the_entries_of_the_root_at_once():
    world = Memory()
    first = disputed(world, PLAN_KEY, "plan")
    assert words(first, conflict_key(PLAN_KEY), "conflict") == ["create"]
    ref = world.ref(conflict_key(PLAN_KEY), "conflict")
    entries = [a["reference"]["reference"] for a in world.at(PLAN_KEY, "plan")["activity"]]
    assert entries.count(ref) == 1


@pytest.mark.parametrize("side", ["ours", "theirs"])
def test_an_answer_closes_its_own_conflict_only(side):
    world = Memory()
    disputed(world, PLAN_KEY, "plan")
    answered = world.push(surgery=later(21), take={"plan/plan": side})
    assert [str(q.key) for q in answered.conflicts] == [str(CALL)]
    assert words(answered, conflict_key(PLAN_KEY), "conflict") == ["close"]
    assert words(answered, conflict_key(CALL), "conflict") == ["unchanged"]
    assert world.at(conflict_key(PLAN_KEY), "conflict")["status"] == "completed"
    standing = world.at(PLAN_KEY, "plan")["period"]
    assert (standing["end"] == "2026-12-01") is (side == "theirs")
    assert world.push(surgery=later(21)).changing == ()
