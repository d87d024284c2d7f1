"""What stops a push, and the examples of the catalogue."""

from dataclasses import replace

import pytest

from merge.small import CALL, HOLD, LATEX, compiled, new_identifier
from merge.stories import GONE, answer, book, complete, due, output
from merge.worlds import SURGERY, Memory, later
from waykeeper.exchange import BadAnswerError
from waykeeper.exchange.reading import one_plan
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.findings import catalogue
from waykeeper.merge import difference, withdraw
from waykeeper.merge.guards import guards
from waykeeper.merge.held import holding
from waykeeper.plan.model import Identifier
from waykeeper.timing.model import Standing


def codes(world, plan, **options):
    return [f.code for f in guards(plan, holding(plan.episode, world.resources()), **options)]


@pytest.fixture
def world():
    made = Memory()
    made.push()
    return made


def test_every_code_of_the_room_has_examples_that_are_tested_here():
    ours = {code: e for code, e in catalogue().items() if code.startswith("WKU")}
    assert set(ours) == {"WKU101", "WKU102", "WKU103", "WKU104", "WKU105", "WKU106", "WKU107", "WKU108", "WKU109",
                         "WKU110", "WKU111"}  # fmt: skip
    assert all(e.raises and e.passes and e.help for e in ours.values())


def test_wku101(world):
    assert codes(world, compiled(world.identifier, later(21))) == ["WKU101"] * 2  # surgery, and the assumed discharge
    assert codes(world, compiled(world.identifier, SURGERY)) == []


def test_what_differs_is_told_with_both_readings(world):
    found = guards(compiled(world.identifier, side="right"), holding(world.plan().episode, world.resources()))
    assert [f.details for f in found] == ["the side is right in the bundle and left on the server"]
    bare = guards(compiled(world.identifier, side=""), holding(world.plan().episode, world.resources()))
    assert [f.details for f in bare] == ["the side is not stated in the bundle and left on the server"]


def test_wku102(world):
    old = compiled(world.identifier)
    complete(world, LATEX, "ask", SURGERY, output=[output("answer", valueString="no")])
    assert codes(world, old) == ["WKU102"]
    assert codes(world, world.plan()) == []


def test_a_task_that_nothing_counts_from_makes_no_bundle_old(world):
    old = compiled(world.identifier)
    complete(world, CALL, "task", SURGERY)
    assert codes(world, old) == []
    counted = (("by: 3 days before surgery", "by: 2 days after completion of call"),)
    first = Memory()
    first.push(changes=counted)
    older = compiled(first.identifier, changes=counted)
    complete(first, CALL, "task", SURGERY)
    assert codes(first, older) == ["WKU102"]
    assert codes(first, first.plan(changes=counted)) == []


def test_proof_of_the_planned_day_is_no_move(world):
    """A Procedure recorded on the planned day changes how well surgery is known, and no date."""
    from dataclasses import replace

    from waykeeper.timing.model import Standing

    plan = compiled(world.identifier)
    proven = tuple(replace(a, standing=Standing.RECORDED) if a.name == "surgery" else a for a in plan.anchors)
    assert codes(world, replace(plan, anchors=proven)) == []
    world.push(replace(plan, anchors=proven))
    assert world.push(replace(plan, anchors=proven)).changing == ()
    assert codes(world, plan) == ["WKU101"]  # the older bundle would forget the proof


def test_the_same_bundle_again_after_it_began_a_round(world):
    answer(world, 4, SURGERY)
    world.push()
    moved = world.plan(surgery=later(21))
    world.push(moved)
    assert codes(world, moved) == []  # the hold was asked again by this very bundle
    assert codes(world, world.plan(surgery=later(21))) == []
    answer(world, 2, SURGERY)
    assert codes(world, moved) == ["WKU102"]


def test_wku103(world):
    from dataclasses import replace

    other = compiled(Identifier(world.identifier.system, "M-other"))
    merged = replace(other, patient=replace(other.patient, reference=f"Patient/{other.episode.uuid('x', '', '')}"))
    assert codes(world, merged) == []  # somebody else
    root = next(r for _, r in world.resources() if r["resourceType"] == "CarePlan" and "partOf" not in r)
    same = replace(other, patient=replace(other.patient, reference=root["subject"]["reference"]))
    assert codes(world, same) == ["WKU103"]
    assert codes(world, compiled(world.identifier, episode=2, side="right")) == []


def test_wku104(world):
    task = world.at(CALL, "task")
    world.add(task)
    assert codes(world, compiled(world.identifier)) == ["WKU104"]
    for more, kind in enumerate(("ServiceRequest", "CarePlan", "Goal"), 2):
        own = next(
            r for _, r in world.resources() if r["resourceType"] == kind and (kind != "CarePlan" or "partOf" in r)
        )
        world.add(own)
        assert codes(world, compiled(world.identifier)) == ["WKU104"] * more


def test_wku105(world):
    world.send(withdraw(world.plan(), world.resources(), "surgery cancelled"))
    plan = world.plan()
    assert codes(world, plan) == ["WKU105"]
    assert codes(world, plan, reinstate=True) == []


def test_wku107(world):
    plan = world.plan()
    assert codes(world, plan) == []
    world.edit(PLAN_KEY, "plan", extension=None)
    assert codes(world, plan) == ["WKU107"]
    assert codes(world, plan, reinstate=True) == []


def test_a_plan_whose_own_care_plan_was_deleted_takes_no_bundle_without_a_word(world):
    """Its dates are of a surgery that nothing tells: the older bundle would restore the older dates."""
    old = world.plan()
    world.push(surgery=later(21))
    dates = due(world.at(CALL, "task"))
    ref = world.ref(PLAN_KEY, "plan")
    world.held = [pair for pair in world.held if pair[0] != ref]
    (said,) = guards(old, holding(old.episode, world.resources()))
    assert said.code == "WKU107" and "is gone" in said.details
    with pytest.raises(BadAnswerError) as none:
        one_plan(world.resources(), 1, "")
    assert ref in none.value.findings[0].help and "--take ours:plan" in none.value.findings[0].help
    assert codes(world, old, reinstate=True) == []
    world.push(surgery=later(21))
    assert codes(world, world.plan(surgery=later(21))) == [] and due(world.at(CALL, "task")) == dates


def test_wku108(world):
    again = compiled(world.identifier, episode=2)
    assert codes(world, again) == ["WKU108"]
    assert codes(world, again, today=SURGERY) == ["WKU108"]
    assert codes(world, again, today=later(1)) == []  # over: a revision
    assert codes(world, compiled(world.identifier, episode=2, side="right")) == []
    assert codes(world, compiled(world.identifier, episode=2, side="")) == ["WKU108"]  # it may be the same joint
    plan = world.plan()
    world.send(withdraw(plan, world.resources(), "surgery cancelled"))
    assert codes(world, again) == []
    world.push(again)
    assert codes(world, again) == []  # the plan that stands is pushed again
    assert codes(world, plan, reinstate=True) == ["WKU108"]  # the other one is not brought back beside it
    assert codes(world, plan, reinstate=True, moving=True) == ["WKU108"]


def test_a_plan_on_hold_is_that_of_an_operation_to_come(world):
    """Surgery was put off without a new day: a second plan beside it would be followed too once it is taken up."""
    plan = world.plan()
    world.send(withdraw(plan, world.resources(), "theatre closed", suspended=True))
    again = compiled(world.identifier, later(30), episode=2)
    (refused,) = guards(again, holding(again.episode, world.resources()), today=later(40))
    assert refused.code == "WKU108" and "episode 1" in refused.details and "is on hold" in refused.details
    assert SURGERY.isoformat() not in refused.details  # its old day is nobody's any more
    assert codes(world, compiled(world.identifier, later(30), episode=2, side="right")) == []
    world.send(withdraw(plan, world.resources(), "surgery cancelled"))
    assert codes(world, again) == []


def test_a_surgery_whose_day_is_awaited_is_still_to_come():
    world = Memory()
    plan = world.plan()
    awaited = tuple(replace(a, moment=None, standing=Standing.AWAITED) for a in plan.anchors if a.name == "surgery")
    world.push(replace(plan, anchors=awaited))
    again = compiled(world.identifier, later(30), episode=2)
    (refused,) = guards(again, holding(again.episode, world.resources()), today=later(40))
    assert refused.code == "WKU108" and "surgery on a day not known, is in force" in refused.details


@pytest.mark.parametrize(("here", "there", "said", "known"), [
    ("", "left", "--side with this one", "in force for the left side, and this plan names no side"),
    ("right", "", "`waykeeper move --episode 1 --side` for that one", "in force and names no side"),
])  # fmt: skip
def test_a_side_that_is_not_stated_may_be_the_same_until_a_person_says_it(here, there, said, known):
    world = Memory()
    world.push(compiled(world.identifier, side=there))
    beside = compiled(world.identifier, later(30), episode=2, side=here)
    (refused,) = guards(beside, holding(beside.episode, world.resources()))
    assert refused.code == "WKU108" and f"name the side: {said}." in refused.help
    assert refused.details.endswith(known)
    if not there:  # as that says
        world.push(compiled(world.identifier, side="left"))
    assert codes(world, compiled(world.identifier, later(30), episode=2, side="right")) == []


def test_neither_side_is_stated_and_each_is_to_be_named():
    world = Memory()
    world.push(compiled(world.identifier, side=""))
    beside = compiled(world.identifier, later(30), episode=2, side="")
    (refused,) = guards(beside, holding(beside.episode, world.resources()))
    assert "--side with this one and `waykeeper move --episode 1 --side` for that one" in refused.help
    world.push(beside)
    assert codes(world, beside) == []  # what stands is pushed again


def test_a_plan_that_a_person_ended_is_not_brought_back_beside_another(world):
    plan = world.plan()
    world.edit(PLAN_KEY, "plan", status="revoked")
    world.push(surgery=later(5), episode=2)
    for options in ({}, {"moving": True}):
        assert codes(world, plan, reinstate=True, **options) == ["WKU108"]
        assert set(codes(world, plan, **options)) == {"WKU109", "WKU108"}
    world.send(withdraw(world.plan(surgery=later(5), episode=2), world.resources(), "surgery cancelled"))
    assert codes(world, plan, reinstate=True) == []


def test_a_withdrawn_plan_names_the_one_that_took_its_place(world):
    plan = world.plan()
    world.send(withdraw(plan, world.resources(), "surgery cancelled"))
    alone = guards(plan, holding(plan.episode, world.resources()))
    assert "--reinstate" in alone[0].help
    world.push(surgery=later(60), episode=2)
    (said,) = guards(plan, holding(plan.episode, world.resources()))
    assert said.code == "WKU105" and "episode 2 of this pathway, surgery on 2026-05-17, is in force" in said.details
    assert said.help == "If that one is meant, add --episode 2."
    moved = compiled(world.identifier, later(21))
    assert {f.help for f in guards(moved, holding(plan.episode, world.resources())) if f.code == "WKU105"} == {
        said.help
    }


@pytest.mark.parametrize(
    ("status", "push", "again", "move", "move_again"),
    [
        ("revoked", True, False, True, False),
        ("entered-in-error", True, True, True, True),
        ("completed", True, True, True, True),
        ("on-hold", False, False, False, False),
    ],
)
def test_wku109(world, status, push, again, move, move_again):
    plan = world.plan()
    world.edit(PLAN_KEY, "plan", status=status)
    for refused, options in (
        (push, {}),
        (again, {"reinstate": True}),
        (move, {"moving": True}),
        (move_again, {"moving": True, "reinstate": True}),
    ):
        assert codes(world, plan, **options) == (["WKU109"] if refused else []), options


def test_a_revoked_plan_is_brought_back_whole_by_a_word(world):
    world.edit(PLAN_KEY, "plan", status="revoked")
    back = world.push(surgery=later(21), take={"plan/plan": "ours"})
    assert back.conflicts == () and world.at(PLAN_KEY, "plan")["status"] == "active"
    assert world.state().plan_status == "active"
    assert world.push(surgery=later(21)).changing == ()


def test_a_withdrawn_plan_lists_what_people_must_do(world):
    answer(world, 3, SURGERY)
    world.push()
    complete(world, HOLD, "stop", SURGERY)
    complete(world, CALL, "task", SURGERY)
    book(world, later(15))
    made = withdraw(world.plan(), world.resources(), "patient died")
    world.send(made)
    assert len(made.notices) == 2 and "booked on" in made.notices[0] and "restart" in made.notices[1]
    assert world.at(HOLD, "restart-needed")["description"].startswith("Surgery does not take place: restart apixaban")
    assert world.at(CALL, "task")["status"] == "completed"
    again = withdraw(world.plan(), world.resources(), "patient died")
    assert again.changing == ()


def test_difference_says_what_becomes_of_each_item(world):
    complete(world, CALL, "task", SURGERY)
    answer(world, 3, SURGERY)
    world.push()
    old, state = world.plan(), world.state()
    new = world.plan(surgery=later(21))
    rows = difference(old, new, state, world.push(new))
    said = {row.item: row.change for row in rows}
    assert rows[0].item == HOLD and said[HOLD] == "again" and said[CALL] == "valid"
    assert {row.item for row in rows} == {i.key for i in (*old.items, *new.items)} and len(rows) == len(said)
    moved = next(row for row in rows if str(row.item) == "gate/ready")
    assert (moved.change, moved.before, moved.after) == ("moved", "2026-03-11", "2026-04-01")
    shorter = world.plan(surgery=later(21), changes=GONE)
    assert {r.item: r.change for r in difference(new, shorter, world.state(), world.push(shorter))}[CALL] == "gone"


def test_identifier_is_new():
    assert new_identifier() != new_identifier()


def without_medicines(world):
    """As compiled from a record that has no medicine list."""
    from dataclasses import replace

    plan = compiled(world.identifier)
    return replace(plan, items=tuple(i for i in plan.items if i.key.kind not in ("hold", "medicine")))


def test_wku106(world):
    bare = without_medicines(world)
    assert codes(world, bare) == ["WKU106"]
    assert codes(world, bare, reinstate=True) == ["WKU106"]
    assert codes(world, bare, let_go=["plan", str(CALL)]) == ["WKU106"]
    assert codes(world, bare, let_go=[str(HOLD)]) == []
    assert codes(world, compiled(world.identifier)) == []
    assert codes(world, bare, moving=True) == []  # a move compiles from what stands, and is refused before it


def test_the_medicines_of_a_withdrawn_plan_are_not_forgotten_when_it_is_wanted_again(world):
    plan = compiled(world.identifier)
    world.send(withdraw(plan, world.resources(), "surgery cancelled", today=SURGERY))
    assert codes(world, without_medicines(world), reinstate=True) == ["WKU106"]
    assert codes(world, plan, reinstate=True) == []


def test_an_old_bundle_on_a_withdrawn_plan_gets_one_remedy_for_both(world):
    plan = compiled(world.identifier)
    world.send(withdraw(plan, world.resources(), "surgery cancelled", today=SURGERY))
    moved = compiled(world.identifier, later(21))
    found = guards(moved, holding(moved.episode, world.resources()))
    assert {f.code for f in found} == {"WKU105", "WKU101"}
    assert all("--reinstate and --surgery" in f.help and "then push with --take ours:plan" in f.help for f in found)
    alone = guards(plan, holding(plan.episode, world.resources()))
    assert [f.code for f in alone] == ["WKU105"] and "--take ours:plan" in alone[0].help


def test_a_medicine_that_was_decided_and_done_is_not_forgotten_either(world):
    world.edit(HOLD, "hold", status="completed")
    assert world.state().items[HOLD].cls == "done"
    assert codes(world, without_medicines(world)) == ["WKU106"]
    assert codes(world, without_medicines(world), let_go=[str(HOLD)]) == []


@pytest.mark.parametrize(("status", "moving", "refused"), [("active", False, []), ("revoked", False, ["WKU109"]),
                                                           ("completed", True, ["WKU109"])])  # fmt: skip
def test_a_root_with_another_servers_id_alone_is_the_plan_and_mended(world, status, moving, refused):
    plan = world.plan()
    ref = world.ref(PLAN_KEY, "plan")
    world.edit(PLAN_KEY, "plan", identifier=None, id="4711", status=status)
    world.held = [("CarePlan/4711" if r == ref else r, resource) for r, resource in world.held]
    assert codes(world, plan, moving=moving) == refused
    if not refused:
        assert [d.reference for d in world.push(plan).changing] == ["CarePlan/4711"]
        assert world.ref(PLAN_KEY, "plan") == "CarePlan/4711"
        assert codes(world, plan) == [] and world.push(plan).changing == ()
