"""What the root names as its parts. merge.md, groups: of CarePlan.activity, goal and supportingInfo a push adds and
removes its own entries only; fhir.md 3: a plan is found again by them."""

from merge.small import WEIGHT
from merge.worlds import Memory
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.plan.model import Key

WALKING, RUNNING = Key("goal", "walking"), Key("goal", "running")
ANOTHER_GOAL = (("goals:\n  walking:", "goals:\n  running:"),)
THEIRS = {"reference": "Goal/999"}


def named(world, element):
    """What the root refers to there."""
    return [entry["reference"] for entry in world.at(PLAN_KEY, "plan").get(element, [])]


def test_the_root_names_its_goal_and_its_flag():
    world = Memory()
    world.push()
    assert named(world, "goal") == [world.ref(WALKING, "goal")]
    assert named(world, "supportingInfo") == [world.ref(WEIGHT, "flag")]


def test_a_goal_that_another_takes_the_place_of_is_named_no_more_and_a_persons_stays():
    world = Memory()
    world.push()
    world.edit(PLAN_KEY, "plan", goal=[*world.at(PLAN_KEY, "plan")["goal"], THEIRS])
    world.push(changes=ANOTHER_GOAL)
    assert world.at(WALKING, "goal")["lifecycleStatus"] == "cancelled"
    assert sorted(named(world, "goal")) == sorted([THEIRS["reference"], world.ref(RUNNING, "goal")])
    assert world.push(changes=ANOTHER_GOAL).changing == ()
