"""What is recorded for a day that has not come is not done: the merge opens nothing by it, as the gap report does."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from merge.small import BLOOD, CALL, FILM, HOLD, READY, WEIGHT
from merge.stories import answer, complete, output
from merge.worlds import TODAY, Memory, later
from waykeeper.fhir import read_all
from waykeeper.gaps import worklist
from waykeeper.merge import difference, withdraw
from waykeeper.merge.decide import released_on
from waykeeper.merge.held import holding
from waykeeper.merge.medicine_changes import medicine_changes
from waykeeper.merge.stopped import stopped
from waykeeper.plan.gates import need_met
from waykeeper.plan.model import ItemState, Key

TOMORROW = TODAY + timedelta(days=1)


def gate(world):
    return world.at(READY, "gate")["status"]


def gaps(world, key):
    """What the gap report says of an item on the day of the push."""
    rows = worklist(read_all(world.resources()), [], world.today).rows
    return next(r.verdict for r in rows if str(r.item) == str(key))


def needs(world):
    return next(i for i in world.plan().items if i.key == READY).needs


def done(world, day):
    """Everything that the gate needs is done or answered on one day."""
    for key in needs(world):
        if key == HOLD:
            answer(world, 4, day)
        elif key.kind == "question":
            complete(world, key, "ask", day, output=[output("answer", valueString="no")])
        elif key.kind == "task":
            complete(world, key, "task", day)


def test_a_gate_opens_on_the_day_and_not_before():
    world = Memory()
    world.push()
    done(world, TOMORROW)
    world.push()
    assert gate(world) == "requested"
    for key in needs(world):
        assert world.at(READY, f"mirror:{key}")["status"] == "requested", key
    assert world.push().changing == ()
    world.today = TOMORROW
    world.push()
    assert gate(world) == "ready"
    assert world.push().changing == ()


def test_the_gap_report_and_the_merge_say_the_same():
    world = Memory()
    world.push()
    for key in needs(world):
        if key.kind != "task":
            continue
        complete(world, key, "task", TOMORROW)
        world.push()
        assert gaps(world, key) == "needs-review"
        assert world.at(READY, f"mirror:{key}")["status"] == "requested"
        complete(world, key, "task", TODAY)
        world.push()
        assert gaps(world, key).startswith("done") or gaps(world, key) == "renew"
        met = world.at(READY, f"mirror:{key}")["status"] == "completed"
        assert met is gaps(world, key).startswith("done")


def test_a_tick_of_ours_is_taken_back_where_the_day_is_corrected():
    world = Memory()
    world.push()
    task = next(k for k in needs(world) if k.kind == "task")
    complete(world, task, "task", TODAY)
    world.push()
    assert world.at(READY, f"mirror:{task}")["status"] == "completed"
    complete(world, task, "task", TOMORROW)
    world.push()
    assert world.at(READY, f"mirror:{task}")["status"] == "requested"


def test_what_has_an_age_counts_only_with_its_day():
    world = Memory()
    world.push()
    world.edit(BLOOD, "task", status="completed")  # on a day that nobody recorded
    world.push()
    if BLOOD in needs(world):
        assert world.at(READY, f"mirror:{BLOOD}")["status"] == "requested"
    item = next(i for i in world.plan().items if i.key == BLOOD)
    state = world.state().items[BLOOD]
    assert item.dates.valid_from is not None
    assert not need_met(BLOOD, state, (), item=item, today=TODAY)
    assert gaps(world, BLOOD) == "needs-review"


def test_a_release_to_come_is_no_end_of_a_flag():
    world = Memory()
    world.push()
    world.today = later(43)
    world.edit(WEIGHT, "request", status="completed")
    complete(world, FILM, "gate", later(44))
    world.push()
    flag = world.at(WEIGHT, "flag")
    assert flag["period"].get("end") == later(43).isoformat()  # the request was completed; never a day to come


def test_a_move_calls_nothing_done_that_is_still_to_come():
    world = Memory()
    world.push()
    complete(world, CALL, "task", TOMORROW)
    old, state = read_all(world.resources())[0]
    decided = world.push(surgery=later(21))
    at = {r.item: r.change for r in difference(old, decided.plan, state, decided, today=TODAY)}
    after = {r.item: r.change for r in difference(old, decided.plan, state, decided, today=TOMORROW)}
    assert at[CALL] != "valid" == after[CALL]
    assert world.at(CALL, "task")["status"] == "completed"  # kept: it is somebody's record


@pytest.mark.parametrize("part", ["stop", "restart"])
def test_a_medicine_is_neither_stopped_nor_restarted_on_a_day_to_come(part):
    world = Memory()
    world.push()
    answer(world, 4, TODAY)
    world.push()
    if part == "restart":
        complete(world, HOLD, "stop", TODAY)
    complete(world, HOLD, part, TOMORROW)
    plan, _ = read_all(world.resources())[0]
    held = holding(plan.episode, world.resources())
    found = stopped(held, TODAY)
    assert [one.how for one in found] == ["ahead" if part == "stop" else "recorded"]
    made = withdraw(plan, world.resources(), "surgery cancelled", today=TODAY)
    assert [d for d in made.rows if d.part == "restart-needed"]  # a person is asked either way
    if part == "restart":
        assert stopped(held, TOMORROW) == []


def test_a_stop_to_come_makes_no_pause_look_longer():
    world = Memory()
    world.push()
    answer(world, 4, TODAY)
    world.push()
    complete(world, HOLD, "stop", date(2026, 3, 20))
    plan, _ = read_all(world.resources())[0]
    held = holding(plan.episode, world.resources())
    today = date(2026, 3, 16)  # four days are proposed, two are left
    decided = world.push(surgery=later(1))
    change = next(m for m in medicine_changes(plan, held, decided, today) if m.item == HOLD)
    assert not change.is_stopped and change.need == "cannot be met"
    assert change.counted_from == date(2026, 3, 15) and change.possible == 3


def test_a_dose_inside_the_pause_opens_no_gate():
    """Answered four days, and taken two days before surgery: the gap report says "taken", the gate stays shut."""
    world = Memory()
    world.today = date(2026, 3, 17)
    world.push()
    done(world, date(2026, 3, 2))
    world.push()
    assert gate(world) == "ready"
    ref = world.ref(HOLD, "hold")
    dose = {
        "resourceType": "MedicationStatement",
        "status": "completed",
        "basedOn": [{"reference": ref}],
        "medicationCodeableConcept": {"text": "apixaban 5 mg tablet"},
        "subject": {"reference": world.patient},
        "effectiveDateTime": "2026-03-16",
    }
    taken = world.add(dose)
    world.push()
    assert gaps(world, HOLD) == "taken"
    assert (gate(world), world.at(READY, f"mirror:{HOLD}")["status"]) == ("requested", "requested")
    assert world.push().changing == ()
    world.put(
        taken, {**dose, "id": taken.partition("/")[2], "effectiveDateTime": "2026-03-13"}
    )  # D-5, the last allowed
    world.push()
    assert gaps(world, HOLD) == "stopped" and gate(world) == "ready"


def test_the_end_of_a_flag_is_the_day_of_its_own_gate_and_of_no_other():
    """`release of film-check` names one gate; that another one's name is a part of it, as `check` is, says nothing."""
    world = Memory()
    world.push()
    plan = world.plan()
    flag = replace(plan.item(WEIGHT), until=f"release of {FILM.item}")
    other = Key("gate", FILM.item.partition("-")[2])
    assert flag.ending_gate == FILM and other.item in flag.until
    held = holding(plan.episode, world.resources())
    states = {
        other: ItemState(other, "completed", "done", done_on=TODAY - timedelta(9)),
        FILM: ItemState(FILM, "completed", "done", done_on=TODAY - timedelta(2)),
    }
    known = replace(held, state=replace(held.state, items={**held.state.items, **states}))
    assert released_on(known, flag, TODAY) == TODAY - timedelta(2)
