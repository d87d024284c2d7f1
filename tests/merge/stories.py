"""The stories that must hold. Each takes a World, so that all are told in memory and on both servers."""

from __future__ import annotations

from datetime import date, timedelta

from merge.small import BLOOD, CALL, FILM, HOLD, LATEX, READY, VISIT, WASH, WEIGHT, instant
from merge.worlds import World, later
from waykeeper.fhir.extensions import find
from waykeeper.fhir.names import HOLD as HOLD_URL
from waykeeper.fhir.names import TASK_CODES
from waykeeper.merge.questions import conflict_key
from waykeeper.plan.model import Key

MOVED = 21  # days


def words(decisions, key: Key, part: str) -> list[str]:
    return [d.word for d in decisions.rows if (d.item, d.part) == (str(key), part)]


def due(task) -> str:
    return task["restriction"]["period"]["end"]


def complete(world: World, key: Key, part: str, day: date, **more) -> None:
    world.edit(key, part, status="completed", executionPeriod={"end": day.isoformat()}, **more)


def output(code: str, **value) -> dict:
    return {"type": {"coding": [{"system": TASK_CODES, "code": code}]}, **value}


def answer(world: World, days: int, day: date) -> None:
    """The prescriber answers: so many days without a dose."""
    told = [output("decision", valueString="hold"), output("missed-days", valueInteger=days)]
    notes = [*(world.at(HOLD, "confirm") or {}).get("note", []), {"authorString": "Dr Reed", "text": "as discussed"}]
    complete(world, HOLD, "confirm", day, output=told, note=notes)


def hold_part(hold, name: str):
    parts = find(hold, HOLD_URL)["extension"]
    return next((v for p in parts if p["url"] == name for k, v in p.items() if k.startswith("value")), None)


def book(world: World, day: date, status: str = "booked", **more) -> None:
    """The scheduler turns our proposal into the booking."""
    world.edit(VISIT, "appointment", status=status, start=instant(day), end=instant(day, 10), **more)


def theirs(world: World, day: date, status: str = "booked") -> str:
    """The scheduler makes an Appointment of its own on our request."""
    return world.add(
        {
            "resourceType": "Appointment",
            "status": status,
            "basedOn": [{"reference": world.ref(VISIT, "request")}],
            "start": instant(day),
            "end": instant(day, 10),
            "participant": [{"actor": {"reference": world.patient}, "status": "accepted"}],
        }
    )


def push_twice_changes_nothing(world: World) -> None:
    first = world.push()
    assert {d.word for d in first.changing} == {"create"} and len(first.changing) == 22
    second = world.push()
    assert second.changing == () and second.conflicts == ()


def scheduler_books_ours_and_pushes_go_on(world: World) -> None:
    world.push()
    book(world, date(2026, 4, 2), comment="Room 4")
    before = world.at(VISIT, "appointment")
    moved = world.push(surgery=later(MOVED))
    assert words(moved, VISIT, "appointment") == ["keep"]
    assert world.at(VISIT, "appointment")["meta" if "versionId" in before.get("meta", {}) else "start"] == (
        before["meta"] if "versionId" in before.get("meta", {}) else before["start"]
    )
    assert world.at(VISIT, "appointment")["comment"] == "Room 4"
    assert world.at(VISIT, "request")["occurrencePeriod"]["start"] == (later(MOVED) + timedelta(10)).isoformat()
    assert any("outside its window" in notice for notice in moved.notices)
    assert world.push(surgery=later(MOVED)).changing == ()


def scheduler_makes_its_own_on_our_request(world: World) -> None:
    world.push()
    booking = theirs(world, date(2026, 4, 2))
    second = world.push()
    assert words(second, VISIT, "appointment") == ["withdraw"]
    assert world.at(VISIT, "appointment")["status"] == "cancelled"
    assert world.push().changing == ()
    gone = dict(next(r for ref, r in world.resources() if ref == booking), status="cancelled")
    world.put(booking, gone)
    assert words(world.push(), VISIT, "appointment") == ["reinstate"]
    assert world.at(VISIT, "appointment")["status"] == "proposed"
    assert "cancelationReason" not in world.at(VISIT, "appointment")
    assert world.push().changing == ()


def no_show_of_ours_is_proposed_again(world: World) -> None:
    world.push()
    book(world, date(2026, 4, 2), "noshow")
    second = world.push()
    assert second.conflicts == ()
    assert world.at(VISIT, "appointment", 2)["status"] == "proposed"
    assert world.at(VISIT, "appointment", 1)["status"] == "noshow"
    assert world.at(VISIT, "request", 2) is None
    assert world.push().changing == ()


def our_proposal_cancelled_by_the_scheduler_is_a_conflict(world: World) -> None:
    world.push()
    world.edit(VISIT, "appointment", status="cancelled", cancelationReason={"text": "no slot"})
    second = world.push()
    assert [q.key for q in second.conflicts] == [VISIT] and len(world.conflicts()) == 1
    assert world.at(VISIT, "appointment")["status"] == "cancelled"
    third = world.push()
    assert third.changing == () and len(third.conflicts) == 1


def due_date_moved_by_a_nurse_then_by_a_new_version(world: World) -> None:
    world.push()
    world.edit(CALL, "task", restriction={"period": {"end": "2026-03-09"}}, note=[{"text": "She is away on the 11th"}])
    assert world.push().changing == ()
    changes = (("by: 1 week before surgery", "by: 8 days before surgery"),)
    second = world.push(changes=changes)
    assert [q.key for q in second.conflicts] == [CALL] and words(second, CALL, "task") == ["write", "conflict"]
    assert due(world.at(CALL, "task")) == "2026-03-09"
    assert world.at(CALL, "task")["note"] == [{"text": "She is away on the 11th"}]
    assert len(world.conflicts()) == 1
    third = world.push(changes=changes)
    assert third.changing == () and len(world.conflicts()) == 1 and len(third.conflicts) == 1
    kept = world.push(changes=changes, take={"call": "theirs"})
    assert kept.conflicts == () and world.conflicts() == []
    assert due(world.at(CALL, "task")) == "2026-03-09"
    assert world.push(changes=changes).changing == ()
    moved = world.push(changes=changes, surgery=later(MOVED))  # another surgery: it is asked again
    assert [q.key for q in moved.conflicts] == [CALL]
    taken = world.push(changes=changes, surgery=later(MOVED), take={"call": "ours"})
    assert taken.conflicts == () and world.conflicts() == []
    assert due(world.at(CALL, "task")) == (later(MOVED) - timedelta(8)).isoformat()
    assert world.push(changes=changes, surgery=later(MOVED)).changing == ()


def task_done_and_surgery_moves_three_weeks(world: World) -> None:
    world.push()
    complete(world, CALL, "task", date(2026, 3, 10))
    complete(world, BLOOD, "task", date(2026, 2, 20))
    complete(world, WASH, "task", date(2026, 3, 17))
    assert {d.part for d in world.push().changing} <= {"plan", f"mirror:{BLOOD}"}
    world.push(surgery=later(MOVED))
    assert world.at(CALL, "task", 2) is None and world.at(CALL, "task")["status"] == "completed"
    assert world.at(BLOOD, "task", 2)["status"] == "requested"  # more than 30 days before the new day
    assert world.at(WASH, "task", 2)["status"] == "requested"  # done again on each move
    assert world.at(BLOOD, "task", 1)["status"] == "completed"
    assert world.push(surgery=later(MOVED)).changing == ()


def answered_hold_and_surgery_moves(world: World) -> None:
    world.push()
    answer(world, 4, date(2026, 3, 1))
    world.push()
    assert world.at(HOLD, "stop")["restriction"]["period"]["end"] == "2026-03-13"  # day -(4 + 1)
    assert hold_part(world.at(HOLD, "hold"), "missedDays") == 4
    moved = world.push(surgery=later(MOVED))
    assert moved.conflicts == ()
    assert world.at(HOLD, "hold", 1)["status"] == "cancelled"
    assert world.at(HOLD, "hold", 1)["statusReason"] == {"text": "replaced by round 2"}
    assert world.at(HOLD, "stop", 1)["status"] == "cancelled" and world.at(HOLD, "stop", 2) is None
    again = world.at(HOLD, "hold", 2)
    assert hold_part(again, "missedDays") == 4 and hold_part(again, "answer") is None
    assert hold_part(again, "lastDose") == (later(MOVED) - timedelta(5)).isoformat()
    assert "Do not stop" in again["dosageInstruction"][0]["patientInstruction"]
    assert world.push(surgery=later(MOVED)).changing == ()
    answer(world, 3, date(2026, 3, 20))
    world.push(surgery=later(MOVED))
    assert due(world.at(HOLD, "stop", 2)) == (later(MOVED) - timedelta(4)).isoformat()
    assert world.push(surgery=later(MOVED)).changing == ()


def order_names_another_medicine_than_was_answered(world: World) -> None:
    """The row's key is the same, the medicine is not: asked anew with its own number, the answer stays as history."""
    world.push()
    answer(world, 2, date(2026, 3, 1))
    world.push()
    named = "rivaroxaban 20 mg tablet"
    pushed = world.push(words=named)
    assert pushed.conflicts == () and words(pushed, HOLD, "confirm") == ["create", "history"]
    assert world.at(HOLD, "hold", 1)["status"] == "cancelled" and world.at(HOLD, "confirm", 1)["status"] == "completed"
    again = world.at(HOLD, "hold", 2)
    assert (hold_part(again, "medicine"), hold_part(again, "missedDays")) == (named, 3)
    assert hold_part(again, "answer") is None
    assert "Do not stop" in again["dosageInstruction"][0]["patientInstruction"]
    assert world.at(READY, f"mirror:{HOLD}")["status"] == "requested" and world.at(HOLD, "stop", 2) is None
    assert world.push(words=named).changing == ()


def gate_released_and_surgery_moves(world: World) -> None:
    world.push()
    complete(world, BLOOD, "task", date(2026, 3, 1))
    answer(world, 3, date(2026, 3, 1))
    world.push()
    assert world.at(READY, "gate")["status"] == "ready"
    assert world.at(READY, f"mirror:{BLOOD}")["status"] == "completed"
    complete(world, READY, "gate", date(2026, 3, 11))
    world.push()
    assert world.push().changing == ()  # what was released is not asked again while nothing changes
    assert world.at(READY, "gate", 2) is None
    world.push(surgery=later(MOVED))
    assert world.at(READY, "gate", 1)["status"] == "completed"
    assert world.at(READY, "gate", 2)["status"] == "requested"
    assert world.at(READY, f"mirror:{HOLD}", 2)["status"] == "requested"  # the hold is asked again
    assert world.push(surgery=later(MOVED)).changing == ()


def hold_edited_by_a_prescriber_and_surgery_moves(world: World) -> None:
    world.push()
    hold = world.at(HOLD, "hold")
    parts = [{**p, "valueInteger": 5} if p["url"] == "missedDays" else p for p in find(hold, HOLD_URL)["extension"]]
    edited = [{**e, "extension": parts} if e["url"] == HOLD_URL else e for e in hold["extension"]]
    world.edit(HOLD, "hold", extension=edited)
    moved = world.push(surgery=later(MOVED))
    assert moved.conflicts == ()
    assert world.at(HOLD, "hold", 1)["status"] == "cancelled"
    assert hold_part(world.at(HOLD, "hold", 2), "missedDays") == 5
    assert hold_part(world.at(HOLD, "hold", 2), "answer") is None
    assert world.push(surgery=later(MOVED)).changing == ()


CALL_IN_THE_FILE = (
    "      call:\n        title: Call the patient\n        who: coordinator\n        by: 1 week before surgery\n"
    "        why: Made up for tests\n        harm: 1\n        source: {grade: common practice}\n"
)
GONE = ((CALL_IN_THE_FILE, ""),)


def item_gone_in_a_new_version_while_in_progress(world: World) -> None:
    world.push()
    world.edit(CALL, "task", status="in-progress", owner={"display": "Nurse Park"})
    second = world.push(changes=GONE)
    assert [q.key for q in second.conflicts] == [CALL]
    assert world.at(CALL, "task")["status"] == "in-progress"
    assert world.push(changes=GONE).changing == ()
    world.push(changes=GONE, take={"call": "ours"})
    assert world.at(CALL, "task")["status"] == "cancelled" and world.conflicts() == []
    assert world.push(changes=GONE).changing == ()


def two_joints_two_episodes(world: World) -> None:
    world.push()
    second = world.push(surgery=later(60), episode=2)
    assert {d.word for d in second.changing} == {"create"}
    assert world.at(HOLD, "hold", episode=1)["status"] == "on-hold" == world.at(HOLD, "hold", episode=2)["status"]
    assert world.push().changing == () and world.push(surgery=later(60), episode=2).changing == ()


def withdrawn_then_reinstated_with_new_dates(world: World) -> None:
    world.push()
    world.push(changes=GONE)
    assert world.at(CALL, "task")["status"] == "cancelled"
    assert world.push(changes=GONE).changing == ()
    again = world.push(surgery=later(MOVED))
    assert words(again, CALL, "task") == ["reinstate"]
    task = world.at(CALL, "task")
    assert task["status"] == "requested" and "statusReason" not in task
    assert due(task) == (later(MOVED) - timedelta(7)).isoformat()
    assert world.push(surgery=later(MOVED)).changing == ()


def a_person_deletes_one(world: World) -> None:
    world.push()
    world.delete(CALL, "task")
    second = world.push()
    assert [q.key for q in second.conflicts] == [CALL] and world.at(CALL, "task") is None
    assert words(second, CALL, "task") == ["conflict"]
    assert world.push().changing == ()
    world.push(take={"call": "ours"})
    assert world.at(CALL, "task", 2)["status"] == "requested" and world.conflicts() == []
    assert world.push().changing == ()


def a_deleted_request_and_a_deleted_phase_come_back(world: World) -> None:
    phase = Key("phase", "after")
    world.push()
    world.edit(VISIT, "appointment", basedOn=None)  # what points at it lets go first
    world.delete(VISIT, "request")
    world.delete(phase, "phase")
    second = world.push()
    assert [q.key for q in second.conflicts] == [VISIT] and words(second, phase, "phase") == ["create"]
    world.push(take={str(VISIT): "ours"})
    assert world.at(VISIT, "request")["status"] == "active" and world.conflicts() == []
    assert world.at(phase, "phase")["status"] == "active"
    assert world.push().changing == ()


def a_person_withdraws_one(world: World) -> None:
    world.push()
    world.edit(CALL, "task", status="cancelled", statusReason={"text": "not needed here"})
    second = world.push()
    assert [q.key for q in second.conflicts] == [CALL]
    assert words(world.push(take={"call": "theirs"}), CALL, "task") == ["keep"]
    assert world.conflicts() == [] and world.push().changing == ()
    assert world.at(CALL, "task")["statusReason"] == {"text": "not needed here"}


def a_busy_task_is_still_redated(world: World) -> None:
    world.push()
    world.edit(CALL, "task", status="accepted", owner={"display": "Nurse Park"}, note=[{"text": "mine"}])
    moved = world.push(surgery=later(MOVED))
    task = world.at(CALL, "task")
    assert moved.conflicts == () and words(moved, CALL, "task") == ["write"]
    assert (task["status"], task["owner"], task["note"]) == ("accepted", {"display": "Nurse Park"}, [{"text": "mine"}])
    assert due(task) == (later(MOVED) - timedelta(7)).isoformat()
    assert world.push(surgery=later(MOVED)).changing == ()


def conflict_shuts_the_gate(world: World) -> None:
    world.push()
    complete(world, BLOOD, "task", date(2026, 3, 1))
    answer(world, 3, date(2026, 3, 1))
    world.push()
    assert world.at(READY, "gate")["status"] == "ready"
    world.edit(HOLD, "hold", status="entered-in-error")
    world.push()
    assert world.at(READY, "gate")["status"] == "requested"


def released_restriction_ends_its_flag(world: World) -> None:
    world.push()
    world.today = date(2026, 5, 1)
    world.edit(WEIGHT, "request", status="completed")
    complete(world, FILM, "gate", date(2026, 4, 30))
    world.push()
    flag = world.at(WEIGHT, "flag")
    assert (flag["status"], flag["period"]["end"]) == ("inactive", "2026-04-30")
    assert world.push().changing == ()


def conflict_whose_question_is_gone_is_closed(world: World) -> None:
    world.push()
    world.edit(CALL, "task", status="cancelled")
    world.push()
    world.edit(CALL, "task", status="requested")
    third = world.push()
    assert [d.word for d in third.changing if d.part == "conflict"] == ["close"]
    assert world.conflicts() == [] and world.push().changing == ()


def what_others_add_to_the_plan_stays(world: World) -> None:
    world.push()
    added = world.add(
        {
            "resourceType": "Task", "status": "requested", "intent": "order", "for": {"reference": world.patient},
            "description": "Bring the walker",
        }
    )  # fmt: skip
    from waykeeper.fhir.write import PLAN_KEY

    root = world.at(PLAN_KEY, "plan")
    entries = [*root["activity"], {"reference": {"reference": added}}]
    treated = [{"display": "Arthritis of the knee"}]
    world.edit(PLAN_KEY, "plan", activity=entries, note=[{"text": "Daughter drives"}], addresses=treated)
    world.push(surgery=later(MOVED))
    root = world.at(PLAN_KEY, "plan")
    assert {"reference": {"reference": added}} in root["activity"] and root["note"] == [{"text": "Daughter drives"}]
    assert root["addresses"] == treated
    assert world.push(surgery=later(MOVED)).changing == ()


def a_question_answered_takes_its_item_out(world: World) -> None:
    world.push()
    complete(world, LATEX, "ask", date(2026, 3, 2), output=[output("answer", valueString="no")])
    second = world.push()
    gloves = Key("task", "latex-free")
    assert words(second, gloves, "task") == ["withdraw"]
    assert world.at(gloves, "task")["status"] == "cancelled"
    assert world.push().changing == ()


def visit_attended_by_linked_evidence_ticks_its_mirror(world: World) -> None:
    world.push()
    booking = theirs(world, date(2026, 2, 20), "fulfilled")
    world.push()
    assert world.at(FILM, f"mirror:{VISIT}")["status"] == "completed"
    assert world.at(FILM, "gate")["status"] == "ready"
    assert world.push().changing == ()
    world.add(
        {
            "resourceType": "Encounter", "status": "cancelled",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
            "subject": {"reference": world.patient}, "appointment": [{"reference": booking}],
        }
    )  # fmt: skip
    world.push()  # fulfilled, but its Encounter was cancelled: the tick of ours is taken back
    assert world.at(FILM, f"mirror:{VISIT}")["status"] == "requested"
    assert world.at(FILM, "gate")["status"] == "requested"


def a_booking_of_the_future_is_not_attended(world: World) -> None:
    world.push()
    theirs(world, date(2026, 4, 2), "fulfilled")  # later than the day of the push
    world.push()
    assert world.at(FILM, f"mirror:{VISIT}")["status"] == "requested"


def no_show_that_the_scheduler_booked_again_itself(world: World) -> None:
    world.push()
    book(world, date(2026, 4, 1), "noshow")
    theirs(world, date(2026, 4, 3))
    second = world.push()
    assert world.at(VISIT, "appointment", 2) is None and second.conflicts == ()
    assert world.push().changing == ()


def a_conflict_ticked_without_an_answer_is_asked_again(world: World) -> None:
    world.push()
    world.edit(CALL, "task", status="cancelled")
    world.push()
    asked = conflict_key(CALL)
    complete(world, asked, "conflict", date(2026, 3, 3))
    second = world.push()
    assert len(second.conflicts) == 1 and world.at(asked, "conflict", 2)["status"] == "requested"
    assert world.push().changing == ()


def hold_edited_by_a_prescriber_and_pushes_go_on(world: World) -> None:
    world.push()
    hold = world.at(HOLD, "hold")
    parts = [{**p, "valueInteger": 5} if p["url"] == "missedDays" else p for p in find(hold, HOLD_URL)["extension"]]
    world.edit(
        HOLD, "hold",
        extension=[{**e, "extension": parts} if e["url"] == HOLD_URL else e for e in hold["extension"]],
    )  # fmt: skip
    second = world.push()
    assert second.conflicts == ()
    for _ in range(2):  # their number stays the answer, whatever is pushed later
        hold = world.at(HOLD, "hold")
        assert (hold_part(hold, "missedDays"), hold_part(hold, "lastDose")) == (5, "2026-03-12")  # day -(5 + 1)
        assert due(world.at(HOLD, "stop")) == "2026-03-12"
        assert world.state().items[HOLD].answer.missed_days == 5
        assert world.push().changing == ()
        world.push(changes=(("title: Medicines", "title: All medicines"),))


STORIES = [
    value
    for name, value in list(globals().items())
    if getattr(value, "__module__", "") == __name__ and value.__code__.co_varnames[:1] == ("world",)
    and value.__code__.co_argcount == 1
]  # fmt: skip
