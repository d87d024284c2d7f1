"""Another system saved a resource of ours without our extensions, as many do: nothing is lost, nothing stays behind."""

from datetime import date

import pytest

from merge.small import BLOOD, CALL, HOLD, READY, VISIT, WEIGHT, instant
from merge.stories import answer, book, conflict_key, due, words
from merge.worlds import TODAY, Memory, later
from waykeeper.fhir import identity, read_all
from waykeeper.fhir.names import IDENTIFIER_PATH
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.merge import withdraw
from waykeeper.merge.guards import guards
from waykeeper.merge.held import holding
from waykeeper.merge.stripped import WRITTEN_AGAIN, marked
from waykeeper.plan.model import Key

THEIRS = {"url": "https://ehr.example/ward", "valueString": "4 West"}


def strip(world, key, part, **fields):
    """A system that knows no extension of ours saves the resource; it keeps its own. Gives the reference."""
    ref = world.ref(key, part)
    world.edit(key, part, extension=[THEIRS], **fields)
    return ref


def at(world, ref):
    return dict(world.resources())[ref]


def row(decisions, ref):
    return next(d for d in decisions.rows if d.reference == ref)


@pytest.mark.parametrize(
    ("key", "part"), [(BLOOD, "task"), (VISIT, "request"), (READY, "gate"), (WEIGHT, "flag"), (HOLD, "confirm")]
)
def test_it_is_known_again_and_marked_again(key, part):
    world = Memory()
    world.push()
    before = world.at(key, part)
    ref = strip(world, key, part)
    pushed = world.push()
    assert pushed.conflicts == () and pushed.notices == ()
    assert [d.reference for d in pushed.changing] == [ref]
    assert row(pushed, ref).word == "write" and WRITTEN_AGAIN in row(pushed, ref).reason
    after = at(world, ref)
    assert identity(after) == identity(before) and THEIRS in after["extension"]
    assert {k: v for k, v in after.items() if k != "extension"} == {k: v for k, v in before.items() if k != "extension"}
    assert world.push().changing == ()
    assert words(world.push(surgery=later(21)), key, part) == ["write"]  # dated again as if nothing had happened


@pytest.mark.parametrize("first", ["done", "stripped"])
@pytest.mark.parametrize(
    ("gate", "key", "part"), [(READY, BLOOD, "task"), (Key("gate", "film-check"), VISIT, "request")]
)
def test_a_mirror_is_ticked_by_the_push_that_marks_it_again(gate, key, part, first):
    """Its status follows from the needed item, so that nobody is asked who "changed" it."""
    world = Memory()
    world.push()
    ref = strip(world, gate, f"mirror:{key}") if first == "stripped" else world.ref(gate, f"mirror:{key}")
    world.edit(key, part, status="completed", executionPeriod={"end": "2026-02-27"})
    if key == VISIT:  # what ticks it is that somebody came, not the order
        book(world, date(2026, 2, 27), "fulfilled")
    if first == "done":
        strip(world, gate, f"mirror:{key}")
    pushed = world.push()
    assert pushed.conflicts == () and at(world, ref)["status"] == "completed" and THEIRS in at(world, ref)["extension"]
    assert world.push().changing == ()


def test_the_status_that_a_person_gave_a_mirror_is_asked_about():
    world = Memory()
    world.push()
    world.edit(BLOOD, "task", status="completed", executionPeriod={"end": "2026-02-27"})
    ref = strip(world, READY, f"mirror:{BLOOD}", status="rejected")
    pushed = world.push()
    assert at(world, ref)["status"] == "rejected" and world.push().changing == ()
    assert [d.word for d in pushed.changing if d.reference == ref] == ["write"], "marked again, and left as it is"


def test_what_was_done_on_it_counts():
    world = Memory()
    world.push()
    told = [{"text": "blood taken"}]
    ref = strip(world, CALL, "task", status="completed", executionPeriod={"end": "2026-02-27"}, note=told)
    pushed = world.push()
    assert pushed.conflicts == ()
    assert at(world, ref)["status"] == "completed" and at(world, ref)["note"] == told
    state = world.state().items[CALL]
    assert (state.cls, state.done_on, state.round) == ("done", date(2026, 2, 27), 1)
    assert world.push().changing == ()


def test_other_dates_are_asked_about_and_one_answer_mends_it():
    world = Memory()
    world.push()
    ref = strip(world, BLOOD, "task")
    was = due(at(world, ref))
    moved = world.push(surgery=later(21))
    assert [str(q.key) for q in moved.conflicts] == [str(BLOOD)]
    assert due(at(world, ref)) == was and len(world.conflicts()) == 1
    assert world.push(surgery=later(21)).changing == ()
    answered = world.push(surgery=later(21), take={str(BLOOD): "ours"})
    assert answered.conflicts == () and due(at(world, ref)) > was
    assert world.conflicts() == [] and world.push(surgery=later(21)).changing == ()


def test_a_hold_is_asked_about_and_the_number_of_now_is_never_put_into_an_old_answer():
    world = Memory()
    world.push()
    strip(world, HOLD, "hold")
    world.edit(HOLD, "confirm", status="completed", executionPeriod={"end": "2026-02-27"})  # "as it stood"
    pushed = world.push()
    assert {str(q.key) for q in pushed.conflicts} == {str(HOLD)}
    told = world.state().items[HOLD].answer
    assert told is not None and told.missed_days is None


def test_an_answer_with_its_number_is_read():
    world = Memory()
    world.push()
    strip(world, HOLD, "hold")
    answer(world, 4, date(2026, 2, 27))
    world.push()
    assert world.state().items[HOLD].answer.missed_days == 4


def test_a_booking_is_the_schedulers_and_stays_as_it_is():
    world = Memory()
    world.push()
    day = date(2026, 4, 2)
    ref = strip(world, VISIT, "appointment", status="booked", start=instant(day), end=instant(day, 10))
    before = at(world, ref)
    pushed = world.push()
    assert pushed.conflicts == () and pushed.changing == () and at(world, ref) == before
    assert world.state().conflicts == ()  # nothing mends it, and nothing needs to: the scheduler's booking counts


def test_what_is_over_and_no_part_of_the_plan_any_more_is_told_until_the_next_push():
    """Nothing could mend it, and a plan is not a conflict for ever."""
    world = Memory()
    world.push()
    world.edit(CALL, "task", restriction={"period": {"end": "2026-03-09"}})
    changes = (("by: 1 week before surgery", "by: 8 days before surgery"),)
    world.push(changes=changes)
    ref = strip(world, conflict_key(CALL), "conflict")
    world.push(changes=changes, take={"call": "ours"})
    assert [c for c in world.state().conflicts if ref in c and "a person must close" in c]
    world.put(ref, {**at(world, ref), "status": "completed"})
    world.push(changes=changes)
    assert world.state().conflicts == ()


def test_what_was_done_on_it_is_told_until_the_next_push_reads_it_again():
    world = Memory()
    world.push()
    ref = strip(world, CALL, "task", status="completed", executionPeriod={"end": "2026-02-27"})
    goal = next(r for r, resource in world.resources() if resource["resourceType"] == "Goal")
    world.put(goal, {**at(world, goal), "lifecycleStatus": "completed", "extension": [THEIRS]})
    assert all(any(one in c for c in world.state().conflicts) for one in (ref, goal))
    world.push()
    assert world.state().conflicts == () and world.state().items[CALL].cls == "done"


@pytest.mark.parametrize("key", [BLOOD, CALL, HOLD])
def test_a_withdrawal_reaches_it(key):
    world = Memory()
    world.push()
    part = "hold" if key is HOLD else "task"
    ref = strip(world, key, part)
    plan, _ = read_all(world.resources())[0]
    made = withdraw(plan, world.resources(), "surgery cancelled", today=TODAY)
    world.send(made)
    assert at(world, ref)["status"] == "cancelled"
    assert any("find out whether it was stopped" in n for n in made.notices) is (key is HOLD)
    again = withdraw(read_all(world.resources())[0][0], world.resources(), "surgery cancelled", today=TODAY)
    assert again.changing == ()
    back = world.push()  # wanted again: by a person's word, which the guards ask for
    assert row(back, ref).word in ("reinstate", "write", "conflict") and at(world, ref)["status"] != "cancelled"


def test_without_our_identifier_it_says_itself_what_it_is():
    world = Memory()
    world.push()
    ref = world.ref(BLOOD, "task")
    system = "https://ehr.example/orders"
    world.edit(BLOOD, "task", identifier=[{"system": system, "value": "77"}])
    renamed = f"Task/{'9' * 6}"
    world.held = [(renamed if r == ref else r, {**res, "id": "999999"} if r == ref else res) for r, res in world.held]
    pushed = world.push()
    assert pushed.conflicts == () and words(pushed, BLOOD, "task") == ["write"]
    names = [i["system"] for i in at(world, renamed)["identifier"]]
    assert system in names and any(n.endswith(IDENTIFIER_PATH) for n in names)
    assert world.push().changing == ()


def renamed(world, key, part, *, episode=1):
    """Another system keeps the resource under an id of its own and without our identifier. Gives the reference."""
    ref, resource = world._held(key, part, episode=episode)
    new = f"{resource['resourceType']}/9{episode}{part}"
    made = {**{k: v for k, v in resource.items() if k != "identifier"}, "id": new.partition("/")[2]}
    world.held = [(new, made) if r == ref else (r, old) for r, old in world.held]
    return new


def test_without_our_identifier_its_item_is_read_as_what_it_says_it_is():
    world = Memory()
    world.push()
    before, _ = read_all(world.resources())[0]
    ref = renamed(world, CALL, "task")
    plan, state = read_all(world.resources())[0]
    assert plan.items == before.items and state.conflicts == ()
    assert state.items[CALL].references["task"] == ref
    complete = {"status": "completed", "executionPeriod": {"end": "2026-02-27"}}
    world.put(ref, {**at(world, ref), **complete})
    assert world.state().items[CALL].done_on == date(2026, 2, 27)
    world.push()
    assert world.ref(CALL, "task") == ref and world.push().changing == ()


def test_a_copy_beside_what_still_has_our_identifier_is_nothing_of_ours():
    world = Memory()
    world.push()
    ref = world.ref(CALL, "task")
    copy = {k: v for k, v in at(world, ref).items() if k != "identifier"}
    world.add({**copy, "status": "completed"})
    assert world.state().items[CALL].cls == "open" and world.state().conflicts == ()
    assert world.push().changing == ()


def test_of_two_joints_nobody_guesses_whose_it_is():
    """Both plans lack their call: which Task has the dates of which joint is not told by anything on them."""
    world = Memory()
    world.push()
    world.push(surgery=later(60), episode=2, side="right")
    refs = [renamed(world, CALL, "task", episode=n) for n in (1, 2)]
    for plan, state in read_all(world.resources()):
        assert CALL not in {item.key for item in plan.items}
        assert [ref for ref in refs if any(ref in c for c in state.conflicts)] == refs
    own = [identity(r).uuid for _, r in marked(world.plan(), world.resources())[0] if identity(r)]
    assert world.plan().episode.uuid("task", "call", "task") not in own


def test_of_two_joints_the_one_that_lacks_it_has_it():
    world = Memory()
    world.push()
    world.push(surgery=later(60), episode=2, side="right")
    ref = renamed(world, CALL, "task", episode=2)
    one, two = (s for _, s in sorted(read_all(world.resources()), key=lambda pair: pair[0].episode.number))
    assert two.items[CALL].references["task"] == ref != one.items[CALL].references["task"]
    assert one.conflicts == two.conflicts == ()


def test_what_nobody_can_name_is_told():
    world = Memory()
    world.push()
    ref = strip(world, BLOOD, "task", code={"text": "Blood tests"})
    gone = world.plan()
    gone = type(gone)(**{f: getattr(gone, f) for f in gone.__slots__} | {"items": gone.items[:0]})
    pushed = world.push(gone)
    assert [n for n in pushed.notices if ref in n and "Blood tests" in n]
    assert at(world, ref)["status"] == "requested"


def test_what_reads_the_plan_says_so_until_the_next_push():
    world = Memory()
    world.push()
    assert world.state().conflicts == ()
    ref = strip(world, HOLD, "hold")
    assert [c for c in world.state().conflicts if ref in c and "apixaban" in c]
    world.push(take={str(HOLD): "ours"})
    assert world.state().conflicts == ()


def test_a_root_that_lost_it_is_refused_until_a_person_says_so():
    world = Memory()
    world.push()
    plan = world.plan()
    ref = strip(world, PLAN_KEY, "plan")
    held = holding(plan.episode, world.resources())
    assert [f.code for f in guards(plan, held)] == ["WKU107"]
    assert guards(plan, held, reinstate=True) == []
    world.held = [(r, dict(res)) for r, res in world.held]
    pushed = world.push(plan)
    assert [d.reference for d in pushed.changing] == [ref] and pushed.conflicts == ()
    assert guards(world.plan(), holding(plan.episode, world.resources())) == []
    assert world.push().changing == ()


def test_where_everything_lost_it_each_part_is_known_again_by_its_number():
    """A whole plan saved by a system that knows no extension of ours: nothing is made a second time."""
    world = Memory()
    world.push()
    world.edit(BLOOD, "task", status="completed", executionPeriod={"end": "2026-02-27"})
    plan, before = world.plan(), dict(world.resources())
    world.held = [(ref, {k: v for k, v in r.items() if k != "extension"}) for ref, r in world.held]
    pushed = world.push(plan)
    assert [d.item for d in pushed.rows if d.word == "create"] == [str(conflict_key(HOLD))]  # see a hold alone, above
    stands = {ref: identity(r) for ref, r in world.resources()}
    assert {ref: stands[ref] for ref in before} == {ref: identity(r) for ref, r in before.items()}
    assert len(stands) == len(before) + 1
    assert world.at(BLOOD, "task")["status"] == "completed" and world.push().changing == ()
