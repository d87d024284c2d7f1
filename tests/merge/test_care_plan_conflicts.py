"""A person changed a CarePlan and the plan moved: asked once, and what else waits for an answer goes on waiting."""

import pytest

from merge.small import CALL
from merge.stories import words
from merge.worlds import Memory, later
from waykeeper.fhir import identity, read_all
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.merge.guards import guards
from waykeeper.merge.held import holding
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


def surgery_of(world):
    return read_all(world.resources())[0][0].anchor("surgery").moment.day


def test_a_period_that_a_person_changed_keeps_no_surgery_of_before():
    """All items have the new day: a root that still named the old one would let an old bundle move them back."""
    world = Memory()
    old = world.plan()
    disputed(world, PLAN_KEY, "plan")
    assert surgery_of(world) == later(21)
    assert world.at(PLAN_KEY, "plan")["period"]["end"] == "2026-12-01"  # theirs, until somebody decides
    held = holding(old.episode, world.resources())
    assert "WKU101" in [f.code for f in guards(old, held)]
    assert [f.code for f in guards(world.plan(surgery=later(21)), held)] == []
    again = world.push(surgery=later(42))
    assert surgery_of(world) == later(42) and str(PLAN_KEY) in {str(q.key) for q in again.conflicts}
    world.push(surgery=later(42), take={"plan/plan": "theirs"})
    assert world.push(surgery=later(42)).changing == () and surgery_of(world) == later(42)


def test_a_title_that_a_person_changed_keeps_no_version_of_before():
    world = Memory()
    world.push()
    world.edit(PLAN_KEY, "plan", title="Ankle, Mr Q.")
    changes = (("version: 1.0.0", "version: 1.1.0"), ("title: Small", "title: Smaller"))
    pushed = world.push(changes=changes)
    assert str(PLAN_KEY) in {str(q.key) for q in pushed.conflicts}
    plan = read_all(world.resources())[0][0]
    assert plan.pathway.version == "1.1.0" and world.at(PLAN_KEY, "plan")["title"] == "Ankle, Mr Q."
    assert world.push(changes=changes).changing == ()


def test_a_question_about_the_plan_is_the_same_after_the_push_that_asked_it():
    """The answer that was given with the first push counts for the second: nobody is asked twice."""
    for take in (None, {"plan/plan": "theirs"}):
        world = Memory()
        world.push()
        world.edit(PLAN_KEY, "plan", period={"start": "2026-01-05", "end": "2026-03-02"})
        first = world.push(surgery=later(7), take=take)
        again = world.push(surgery=later(7))
        assert [q.mark for q in again.conflicts] == [q.mark for q in first.conflicts]
        assert len(again.conflicts) == (0 if take else 1) and again.changing == ()


OURS, THEIRS = "https://alder-quay.example/pathways/small", "https://ehr.example/PlanDefinition/eras|2"


@pytest.mark.parametrize("first", [True, False])
def test_what_the_patient_follows_beside_our_pathway_stays(first):
    """A protocol of another system, before or after ours, is neither taken off nor asked about; our version moves."""
    world = Memory()
    world.push()
    before = read_all(world.resources())[0][0]
    both = [THEIRS, f"{OURS}|1.0.0"] if first else [f"{OURS}|1.0.0", THEIRS]
    world.edit(PLAN_KEY, "plan", instantiatesCanonical=both)
    assert read_all(world.resources())[0][0] == before
    pushed = world.push()
    assert pushed.changing == () and pushed.conflicts == ()
    changes = (("version: 1.0.0", "version: 1.1.0"),)
    upgraded = world.push(changes=changes)
    assert upgraded.conflicts == ()
    assert world.at(PLAN_KEY, "plan")["instantiatesCanonical"] == [f"{OURS}|1.1.0", THEIRS]
    assert world.push(changes=changes).changing == ()


def test_what_another_system_put_in_place_of_our_version_does_not_push_it_out():
    world = Memory()
    world.push()
    title = "Hip plan"
    world.edit(PLAN_KEY, "plan", instantiatesCanonical=[f"{OURS}|1.0.0", THEIRS], title=title)
    changes = (("version: 1.0.0", "version: 1.1.0"),)
    asked = world.push(changes=changes)
    assert [q.groups for q in asked.conflicts] == [("what",)]
    root = world.at(PLAN_KEY, "plan")
    assert (root["instantiatesCanonical"], root["title"]) == ([f"{OURS}|1.1.0", THEIRS], title)
