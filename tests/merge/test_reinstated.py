"""A plan that was withdrawn and is wanted again, on the same day or another: what is said on it then counts."""

from datetime import date

import pytest

from merge.small import CALL, HOLD, VISIT
from merge.stories import answer, book, hold_part
from merge.worlds import TODAY, Memory, later
from waykeeper.fhir import read_all
from waykeeper.fhir.extensions import find
from waykeeper.fhir.names import HOLD as HOLD_URL
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.merge import decide, withdraw
from waykeeper.plan.model import Key


def withdrawn(world):
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "surgery cancelled", today=TODAY))


@pytest.mark.parametrize("days", [0, 21])
def test_an_answer_after_it_is_for_the_new_day_and_stands(days):
    """Apixaban, four days: the stop Task is made at once, and nobody is asked a second time."""
    world = Memory()
    world.push()
    withdrawn(world)
    world.push(surgery=later(days))
    answer(world, 4, TODAY)
    pushed = world.push(surgery=later(days))
    assert world.at(HOLD, "hold", 2) is None and world.state().items[HOLD].answer.missed_days == 4
    assert world.at(HOLD, "stop")["restriction"]["period"]["end"] == later(days - 5).isoformat()
    assert pushed.conflicts == () and world.push(surgery=later(days)).changing == ()


@pytest.mark.parametrize("days", [0, 21])
def test_a_plan_that_was_put_off_and_then_withdrawn_is_no_longer_on_hold(days):
    """Else nothing could ever be printed of it again: it would wait for a day that it has."""
    world = Memory()
    world.push()
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "flood", suspended=True, today=TODAY))
    assert world.state().plan_status == "on-hold"
    withdrawn(world)
    back = world.push(surgery=later(days))
    assert world.state().plan_status == "active"
    assert back.conflicts == () and world.push(surgery=later(days)).changing == ()


def test_a_plan_that_a_person_put_on_hold_stays_so_until_a_word():
    world = Memory()
    world.push()
    world.edit(Key("plan", "plan"), "plan", status="on-hold")
    assert world.push(surgery=later(7)).conflicts == () and world.state().plan_status == "on-hold"
    plan = world.located(world.plan(surgery=later(7)))
    world.send(decide(plan, world.resources(), today=TODAY, reinstate=True))
    assert world.state().plan_status == "active"
    assert world.push(surgery=later(7)).changing == ()


@pytest.mark.parametrize("status", ["in-progress", "on-hold"])
def test_what_somebody_had_in_hand_is_in_hand_again(status):
    """merge.md, the table: withdrawn by us, wanted again: reinstated to the status before our withdrawal."""
    world = Memory()
    world.push()
    world.edit(CALL, "task", status=status)
    withdrawn(world)
    assert world.at(CALL, "task")["status"] == "cancelled"
    back = world.push()
    assert world.at(CALL, "task")["status"] == status
    assert back.conflicts == () and world.push().changing == ()


def test_an_answer_before_it_is_asked_again_for_another_day():
    world = Memory()
    world.push()
    answer(world, 4, TODAY)
    world.push()
    withdrawn(world)
    world.push(surgery=later(21))
    assert world.at(HOLD, "hold", 2)["status"] == "on-hold"
    assert world.state().items[HOLD].answer is None and world.state().items[HOLD].earlier.missed_days == 4


@pytest.mark.parametrize("number", [0, 5, 6])
def test_a_number_that_a_prescriber_wrote_into_the_hold_is_no_conflict(number):
    world = Memory()
    world.push()
    parts = find(world.at(HOLD, "hold"), HOLD_URL)["extension"]
    said = [{**p, "valueInteger": number} if p["url"] == "missedDays" else p for p in parts]
    others = [e for e in world.at(HOLD, "hold")["extension"] if e["url"] != HOLD_URL]
    world.edit(HOLD, "hold", extension=[*others, {"url": HOLD_URL, "extension": said}])
    withdrawn(world)
    back = world.push()
    assert back.conflicts == () and world.push().changing == ()
    assert world.at(HOLD, "hold")["status"] == "on-hold"
    assert hold_part(world.at(HOLD, "hold"), "missedDays") == number
    assert hold_part(world.at(HOLD, "hold"), "lastDose") == later(-number - 1).isoformat()
    assert world.state().items[HOLD].answer.missed_days == number


def test_the_day_it_was_withdrawn_on_plays_no_part():
    world = Memory()
    world.push()
    withdrawn(world)
    world.today = date(2026, 3, 2)
    world.push()
    assert world.push().changing == () and world.conflicts() == []


@pytest.mark.parametrize("whose", ["ours", "a person's"])
def test_the_word_that_a_plan_is_wanted_again_answers_no_other_question(whose):
    """A person changed the period of the plan, and it moves: that is asked about. Only the state is answered."""
    world = Memory()
    world.push()
    period = {"start": "2026-01-01", "end": "2027-01-01"}
    world.edit(PLAN_KEY, "plan", period=period)
    if whose == "ours":
        withdrawn(world)
    else:
        world.edit(PLAN_KEY, "plan", status="revoked")
    made = decide(world.plan(surgery=later(21)), world.resources(), today=TODAY, reinstate=True)
    world.send(made)
    assert [(q.key, q.groups) for q in made.conflicts] == [(PLAN_KEY, ("when",))]
    root = world.at(PLAN_KEY, "plan")
    assert (root["status"], root["period"]) == ("active", period)
    assert read_all(world.resources())[0][0].withdrawn == ""
    again = world.push(surgery=later(21))
    assert again.changing == () and [q.groups for q in again.conflicts] == [("when",)]


def test_a_plan_that_a_person_revoked_is_whole_after_the_word():
    world = Memory()
    world.push()
    world.edit(PLAN_KEY, "plan", status="revoked")
    made = decide(world.plan(surgery=later(21)), world.resources(), today=TODAY, reinstate=True)
    world.send(made)
    assert made.conflicts == () and world.at(PLAN_KEY, "plan")["status"] == "active"
    assert world.push(surgery=later(21)).changing == ()


@pytest.mark.parametrize("status", ["noshow", "cancelled"])
def test_a_visit_that_fell_through_before_is_proposed_again_at_once(status):
    world = Memory()
    world.push()
    book(world, date(2026, 4, 2), status)
    withdrawn(world)
    world.push()
    assert world.at(VISIT, "appointment", 2)["status"] == "proposed"
    assert world.at(VISIT, "request")["status"] == "active"
    assert world.push().changing == ()


def noted(world, *texts):
    """Somebody writes notes on the plan's own CarePlan."""
    ref, root = next((ref, r) for ref, r in world.resources() if r["resourceType"] == "CarePlan" and "partOf" not in r)
    world.put(ref, {**root, "note": [*(root.get("note") or []), *({"text": text} for text in texts)]})


def notes(world):
    root = next(r for _, r in world.resources() if r["resourceType"] == "CarePlan" and "partOf" not in r)
    return [note["text"] for note in root.get("note") or []]


@pytest.mark.parametrize("suspended", [True, False])
def test_what_a_person_noted_on_the_plan_stays_word_for_word(suspended):
    """Our own reason begins with the same word; only that is changed where the plan is put on hold, or taken away."""
    theirs = ["Withdrawn: from study B, see letter", "Consent Withdrawn: for the film"]
    world = Memory()
    world.push()
    noted(world, *theirs)
    world.send(withdraw(world.plan(), world.resources(), "flood", suspended=suspended))
    assert notes(world) == [*theirs, "Suspended: flood" if suspended else "Withdrawn: flood"]
    plan = world.plan()
    world.send(decide(plan, world.resources(), today=world.today, reinstate=True))
    assert world.state().plan_status == "active"
    assert notes(world) == [*theirs, *(["Suspended: flood"] if suspended else [])]
