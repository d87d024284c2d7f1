"""A part of a plan that was deleted on a server that lets go of what others refer to: the plan says so by itself."""

import json
from datetime import date

import pytest

from merge.small import BLOOD, CALL, FILM, HOLD, VISIT, WEIGHT
from merge.worlds import TODAY, Memory
from waykeeper.fhir import read_all
from waykeeper.fhir.gone import A_FEW, GONE, entries, types_of
from waykeeper.gaps import worklist
from waykeeper.merge import withdraw


def remove(world, key, part):
    """Deleted, and what names it goes on naming it. Gives the reference."""
    ref = world.ref(key, part)
    world.held = [(r, resource) for r, resource in world.held if r != ref]
    return ref


def told(world):
    return [c for c in world.state().conflicts if GONE in c]


def root_of(world):
    pairs = world.resources()
    return next((ref, r) for ref, r in pairs if r["resourceType"] == "CarePlan" and "partOf" not in r)


def with_ids_of_its_own(world, but=""):
    """The same on a server that gives ids itself, `but` one that it was sent with an id."""
    held = [ref for ref, _ in world.held if ref != but]
    names = {ref: f"{ref.partition('/')[0]}/{number}" for number, ref in enumerate(held) if number}
    text = json.dumps(world.held)
    for before, after in names.items():
        text = text.replace(f'"{before}"', f'"{after}"')
    held = [(ref, r) for ref, r in json.loads(text)]
    world.held = [(ref, {**r, "id": ref.partition("/")[2]}) for ref, r in held]


def pushed():
    world = Memory()
    world.push()
    return world


def test_a_plan_that_is_whole_says_nothing():
    assert told(pushed()) == []


@pytest.mark.parametrize(
    ("key", "part"), [(BLOOD, "task"), (CALL, "task"), (VISIT, "request"), (FILM, "gate"), (WEIGHT, "flag")]
)
def test_what_is_deleted_is_told_until_a_push_asks_about_it(key, part):
    world = pushed()
    ref = remove(world, key, part)
    (said,) = told(world)
    assert ref in said
    rows = worklist(read_all(world.resources()), (), date(2026, 3, 1)).rows
    (row,) = [r for r in rows if r.kind == "plan"]
    assert (row.verdict, row.gap) == ("conflict", True) and ref in row.reason
    asked = world.push()
    assert [q.key for q in asked.conflicts] == [key]
    assert told(world) == [] and len(world.state().conflicts) == 1


def test_what_a_gate_needs_is_called_by_its_name():
    world = pushed()
    remove(world, BLOOD, "task")
    assert told(world)[0].startswith(str(BLOOD))


def test_a_hold_whose_order_is_gone_is_named_by_what_is_left_of_it():
    world = pushed()
    remove(world, HOLD, "hold")
    assert told(world)[0].startswith("Pause apixaban 5 mg tablet (")


def test_a_part_whose_item_is_there_is_named_by_its_title():
    world = pushed()
    remove(world, WEIGHT, "flag")
    ((plan, _),) = read_all(world.resources())
    assert told(world)[0].startswith(f"{plan.item(WEIGHT).title} (")


@pytest.mark.parametrize("side", ["ours", "theirs"])
def test_what_a_person_answered_is_no_news(side):
    world = pushed()
    remove(world, CALL, "task")
    world.push()
    world.push(take={str(CALL): side})
    assert told(world) == [] and world.state().conflicts == ()


def test_a_deleted_proposal_hides_nothing():
    world = pushed()
    remove(world, VISIT, "appointment")
    assert told(world) == []


def test_an_entry_of_somebody_else_is_none_of_ours():
    world = pushed()
    ref, root = root_of(world)
    world.put(ref, {**root, "activity": [*root["activity"], {"reference": {"reference": "ServiceRequest/999"}}]})
    assert told(world) == []


def test_references_that_a_server_made_absolute_are_there():
    world = pushed()
    ref, root = root_of(world)
    names = [f"https://fhir.example/r4/{e['reference']['reference']}" for e in root["activity"]]
    world.put(ref, {**root, "activity": [{"reference": {"reference": name}} for name in names]})
    assert told(world) == []


def test_a_plan_that_was_withdrawn_names_nothing_gone():
    world = pushed()
    plan, _ = read_all(world.resources())[0]
    world.send(withdraw(plan, world.resources(), "surgery cancelled", today=TODAY))
    remove(world, CALL, "task")
    assert told(world) == []


@pytest.mark.parametrize("side", ["ours", "theirs"])
def test_a_server_with_ids_of_its_own(side):
    world = pushed()
    with_ids_of_its_own(world)
    assert told(world) == []
    ref, root = root_of(world)
    world.put(ref, {**root, "activity": [*root["activity"], {"reference": {"reference": "ServiceRequest/999"}}]})
    assert told(world) == []
    gone = remove(world, BLOOD, "task")
    (said,) = told(world)
    assert said.startswith(str(BLOOD)) and gone in said
    world.push(take={str(BLOOD): side})
    assert told(world) == []


def test_of_two_that_are_gone_only_the_one_whose_id_the_server_gave_is_guessed_at():
    world = pushed()
    sent = world.ref(CALL, "task")
    with_ids_of_its_own(world, but=sent)
    given = remove(world, BLOOD, "task")
    remove(world, CALL, "task")
    assert sorted(said.partition(": ")[0] for said in told(world)) == sorted([
        f"a part of the plan ({sent})", f"{BLOOD} (one of {given})",
    ])  # fmt: skip


def test_where_a_server_lost_many_it_is_said_in_one_sentence(monkeypatch):
    """Each beside the places of all the others made thousands of lines of one plan."""
    monkeypatch.setattr("waykeeper.fhir.gone.MANY", 2)
    world = pushed()
    for key, part in ((BLOOD, "task"), (CALL, "task"), (FILM, "gate")):
        remove(world, key, part)
    assert told(world) == []
    (said,) = (c for c in world.state().conflicts if "parts that the plan names" in c)
    assert said.startswith("3 parts that the plan names are not there")
    assert len(said) < 500


def test_an_export_of_some_types_says_so_once_and_not_of_each_part_of_each_plan():
    world = pushed()
    left = [(ref, r) for ref, r in world.resources() if r["resourceType"] != "Task"]
    named = [ref for ref in entries(root_of(world)[1]) if ref.startswith("Task/")]
    assert len(named) > A_FEW
    assert types_of(left).left_out == {"Task"}
    ((_, state),) = read_all(left)
    assert [c for c in state.conflicts if GONE in c] == []
    one = next(pair for pair in world.resources() if pair[0] == named[0])
    ((_, state),) = read_all([*left, one])  # one of the type is there: the others were deleted, and each is told
    assert types_of([*left, one]).left_out == frozenset()
    assert (types_of(left) | types_of([one])).left_out == frozenset()  # in two parts
    assert len([c for c in state.conflicts if GONE in c]) == len(named) - 1


def test_a_type_that_no_plan_names_often_is_left_out_where_many_plans_name_it():
    """An export without it: of one plan three holds may have been deleted, of fifty plans not all of them."""
    world = pushed()
    left = [(ref, r) for ref, r in world.resources() if r["resourceType"] != "MedicationRequest"]
    ref, root = root_of(world)
    few = types_of(left)
    assert 0 < few.named["MedicationRequest"] <= A_FEW and few.left_out == frozenset()
    others = [(f"{ref}-{number}", root) for number in range(A_FEW)]
    assert types_of([*left, *others]).left_out == {"MedicationRequest"}
    assert (few | types_of(others)).left_out == {"MedicationRequest"}  # in two parts
