"""How a transaction creates: an id that stood once is never put again as if it were new.

HAPI FHIR 8.8.0 (measured): PUT of a deleted id with `If-Match: W/"0"` is 409 HAPI-0989, however often it is tried.
"""

from merge.small import BLOOD, CALL, READY, VISIT
from merge.worlds import Memory
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.merge import apply, decide
from waykeeper.merge.apply import ABSENT
from waykeeper.plan.model import Key


def methods(world: Memory, **options) -> dict[str, str]:
    """Type -> method of what a transaction that may put would create."""
    made = decide(world.plan(), world.resources(), today=world.today, **options)
    entries = [e for e in apply(made, form="put")["entry"] if e["resource"]["resourceType"] != "Patient"]
    new = [e for e in entries if e["request"].get("ifMatch", ABSENT) == ABSENT]
    return {e["resource"]["resourceType"]: e["request"]["method"] for e in new}


def test_a_first_plan_is_put():
    assert methods(Memory()).pop("ServiceRequest") == "PUT"


def test_a_request_that_was_deleted_is_posted():
    world = Memory()
    world.push()
    world.delete(VISIT, "request")
    assert methods(world, take={str(VISIT): "ours"}) == {"ServiceRequest": "POST"}


def test_a_phase_that_was_deleted_is_posted():
    world = Memory()
    world.push()
    world.delete(Key("phase", "after"), "phase")
    assert methods(world) == {"CarePlan": "POST"}


def test_a_root_that_was_deleted_is_posted():
    world = Memory()
    world.push()
    world.delete(PLAN_KEY, "plan")
    assert methods(world) == {"CarePlan": "POST"}


def test_a_new_round_of_a_deleted_task_was_never_there_and_is_put():
    world = Memory()
    world.push()
    world.delete(CALL, "task")
    assert methods(world, take={str(CALL): "ours"}) == {"Task": "PUT"}


def test_a_mirror_of_a_task_that_was_deleted_points_at_nothing():
    """merge.md: deleted, it is not created again until a person says so; servers refuse a reference to nothing."""
    world = Memory()
    world.push()
    world.delete(BLOOD, "task")
    world.delete(READY, "gate")
    made = decide(world.plan(), world.resources(), today=world.today, take={str(READY): "ours"})
    created = [e["resource"] for e in apply(made, form="put")["entry"] if e["request"].get("ifMatch") == ABSENT]
    focused = {m["description"]: "focus" in m for m in created if m.get("partOf")}
    assert focused.pop("Needed: Blood tests") is False and focused and all(focused.values())
