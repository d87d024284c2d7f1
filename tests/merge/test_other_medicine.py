"""The order behind a medicine names another one than when somebody answered: asked anew, the old answer is history."""

from __future__ import annotations

import copy
from datetime import date, timedelta

import pytest

from merge.small import BLOOD, HOLD, READY, compiled
from merge.stories import answer, complete, hold_part, output, words
from merge.test_moves import move, restart_tasks, taken
from merge.worlds import Memory, later
from waykeeper.fhir import answers, read_all
from waykeeper.gaps import worklist
from waykeeper.merge import withdraw
from waykeeper.merge.guards import guards
from waykeeper.merge.held import holding
from waykeeper.merge.medicine_changes import medicine_changes
from waykeeper.plan.model import Key

OTHER = "rivaroxaban 20 mg tablet"
CHANGED = "changed from 'apixaban 5 mg tablet' to 'rivaroxaban 20 mg tablet' since the answer of Sun 2026-03-01"
MEDICINE = Key("medicine", HOLD.item)


@pytest.fixture
def world():
    """The hold of apixaban, answered with two days and pushed."""
    made = Memory()
    made.push()
    answer(made, 2, date(2026, 3, 1))
    made.push()
    return made


def row(world, key=HOLD, as_of=date(2026, 3, 2)):
    return next(r for r in worklist(read_all(world.resources()), [], as_of).rows if r.item == str(key))


def test_the_answer_is_no_answer_for_the_other_and_the_old_round_is_history(world):
    assert hold_part(world.at(HOLD, "hold"), "answer") == "hold"
    pushed = world.push(words=OTHER)
    assert pushed.conflicts == () and words(pushed, HOLD, "hold") == ["create", "replace"]
    old, new = world.at(HOLD, "hold", 1), world.at(HOLD, "hold", 2)
    assert (old["status"], old["statusReason"]) == ("cancelled", {"text": "replaced by round 2"})
    assert (hold_part(old, "medicine"), hold_part(old, "answerDays")) == ("apixaban 5 mg tablet", 2)
    assert world.at(HOLD, "confirm", 1)["status"] == "completed"  # who said what stays where it was said
    assert (hold_part(new, "medicine"), hold_part(new, "answer")) == (OTHER, None)
    assert hold_part(new, "missedDays") == 3  # its own rule, anaesthesia unknown; not the two days of the other
    assert CHANGED in hold_part(new, "question")
    assert new["dosageInstruction"][0]["patientInstruction"].startswith("Do not stop or start")
    assert world.at(HOLD, "confirm", 2)["status"] == "requested" and world.at(HOLD, "stop", 2) is None
    assert world.push(words=OTHER).changing == ()


def test_the_same_bundle_may_be_pushed_again_and_an_older_one_brings_no_answer_back(world):
    before, now = world.plan(), world.plan(words=OTHER)
    assert guards(now, holding(now.episode, world.resources())) == []
    world.push(now)
    held = holding(now.episode, world.resources())
    assert guards(now, held) == [] and guards(world.plan(words=OTHER), held) == []
    assert before.item(HOLD).hold.answered.missed_days == 2
    world.push(before)  # compiled from the list as it was: its medicine is asked about, its answer stays history
    assert hold_part(world.at(HOLD, "hold"), "medicine") == "apixaban 5 mg tablet"
    assert hold_part(world.at(HOLD, "hold"), "answer") is None and world.at(HOLD, "stop", 2) is None


def test_gate_and_list_ask_about_it(world):
    mirror = f"mirror:{HOLD}"
    assert world.at(READY, mirror)["status"] == "completed"
    assert row(world).verdict == "answered"
    world.push(words=OTHER)
    assert world.at(READY, mirror)["status"] == "requested"
    found = row(world)
    assert (found.verdict, found.gap, found.severity) == ("needs-review", True, 3)
    assert "from apixaban 5 mg tablet to rivaroxaban 20 mg tablet since the answer of Sun 2026-03-01 by Dr Reed" in (
        found.reason
    )
    assert found.title == "Rivaroxaban 20 mg tablet: pause? not answered"
    gate = row(world, READY)
    assert "Answered for another medicine that stood under this order: rivaroxaban 20 mg tablet" in gate.reason
    assert "apixaban" in found.next_action and "neither stops nor starts" in found.next_action


def test_a_gate_that_was_released_is_asked_again_though_one_alone_of_its_needs_changed(world):
    """merge.md, done: a gate whose needed item got a new round opens one."""
    complete(world, BLOOD, "task", date(2026, 2, 20))
    complete(world, READY, "gate", date(2026, 3, 1))
    world.push()
    world.push(words=OTHER)
    assert (world.at(BLOOD, "task")["status"], world.at(BLOOD, "task", 2)) == ("completed", None)
    assert (world.at(READY, "gate", 1)["status"], world.at(READY, "gate", 2)["status"]) == ("completed", "requested")
    assert world.push(words=OTHER).changing == ()


def test_a_need_that_somebody_ticked_on_the_gate_asks_nothing_again_while_another_one_changes(world):
    """merge.md, done: a new round where the needed item got one, and that one alone."""
    complete(world, READY, f"mirror:{BLOOD}", date(2026, 3, 1))
    world.push()
    world.push(words=OTHER)
    assert world.at(READY, "gate", 2) is None and world.at(READY, f"mirror:{BLOOD}")["status"] == "completed"
    assert world.at(READY, f"mirror:{HOLD}")["status"] == "requested"


def test_answered_anew_it_is_settled_and_the_question_is_gone(world):
    world.push(words=OTHER)
    answer(world, 3, date(2026, 3, 4))
    world.push(words=OTHER)
    new = world.at(HOLD, "hold", 2)
    assert (hold_part(new, "answerDays"), hold_part(new, "missedDays")) == (3, 3)
    assert "changed from" not in (hold_part(new, "question") or "")
    assert world.at(HOLD, "stop", 2)["restriction"]["period"]["end"] == "2026-03-14"
    assert row(world, as_of=date(2026, 3, 5)).verdict == "answered"
    assert world.push(words=OTHER).changing == ()


def test_back_to_the_first_medicine_is_a_change_again(world):
    """The answer of the first round was given for it, but in between another stood there: asked, not assumed."""
    world.push(words=OTHER)
    answer(world, 3, date(2026, 3, 4))
    world.push(words=OTHER)
    pushed = world.push()
    assert words(pushed, HOLD, "hold")[0] == "create"
    assert hold_part(world.at(HOLD, "hold", 3), "answer") is None
    assert world.push().changing == ()


@pytest.mark.parametrize("named", ["Apixaban 5mg tablet", "apixaban 5 mg", "apixaban 10 mg tablet"])
def test_another_text_of_the_same_medicine_keeps_its_answer(world, named):
    world.push(words=named)
    hold = world.at(HOLD, "hold")
    assert (hold_part(hold, "medicine"), hold_part(hold, "answerDays")) == (named, 2)
    assert world.at(HOLD, "hold", 2) is None and world.push(words=named).changing == ()


def test_another_dose_asks_again_only_where_its_rule_turns_on_it():
    """Apixaban 2.5 mg may be prophylaxis, 36 hours before a needle; 5 mg is a full dose, 72 hours (ASRA 2018)."""
    world = Memory()
    world.push(words="apixaban", mg=2.5)
    key = Key("medicine", HOLD.item)  # a low dose whose reason is not told is asked about
    assert hold_part(world.at(key, "review"), "doseMg") == "2.5"
    told = [output("decision", valueString="hold"), output("missed-days", valueInteger=2)]
    complete(world, key, "review", date(2026, 3, 1), output=told)
    world.push(words="apixaban", mg=2.5)
    assert world.plan(words="apixaban", mg=2.5).item(key).hold.answered.missed_days == 2
    raised = world.plan(words="apixaban", mg=5)
    (item,) = [i for i in raised.items if i.hold]
    assert item.hold.answered is None and item.hold.missed_days == 3
    assert "from 'apixaban, 2.5 mg a dose' to 'apixaban, 5 mg a dose' since the answer of Sun" in item.hold.question
    world.push(raised)
    assert row(world, item.key).reason.startswith("The medicine under this order changed from apixaban, 2.5 mg a dose")
    steady = Memory()
    steady.push(words="apixaban", mg=5)
    answer(steady, 3, date(2026, 3, 1))
    steady.push(words="apixaban", mg=10)  # both are full doses for the rule
    assert hold_part(steady.at(HOLD, "hold"), "answerDays") == 3 and steady.at(HOLD, "hold", 2) is None


def test_nobody_had_answered_so_nothing_is_history(world):
    fresh = Memory()
    fresh.push()
    pushed = fresh.push(words=OTHER)
    assert words(pushed, HOLD, "hold") == ["write"] and fresh.at(HOLD, "hold", 2) is None
    answer(fresh, 3, date(2026, 3, 4))
    fresh.push(words=OTHER)
    assert hold_part(fresh.at(HOLD, "hold"), "answerDays") == 3


def test_a_dose_of_the_one_is_no_dose_of_the_other():
    """Also where nobody has answered yet: the round is another, so that the dose stays with its medicine."""
    world = Memory()
    world.push()
    taken(world, date(2026, 3, 13))
    assert world.state().items[HOLD].last_taken is not None
    world.push(words=OTHER)
    assert world.at(HOLD, "hold", 2) is not None
    assert world.state().items[HOLD].last_taken is None
    answer(world, 3, date(2026, 3, 4))
    world.push(words=OTHER)
    assert row(world, as_of=date(2026, 3, 16)).verdict == "answered"  # not "stopped"


def test_moved_as_well_it_proposes_its_own_number(world):
    world.push(surgery=later(21), words=OTHER)
    again = world.at(HOLD, "hold", 2)
    assert hold_part(again, "missedDays") == 3 and CHANGED in hold_part(again, "question")
    assert hold_part(again, "lastDose") == (later(21) - timedelta(4)).isoformat()
    assert world.push(surgery=later(21), words=OTHER).changing == ()
    world.push(surgery=later(28), words=OTHER)  # still nobody has answered
    assert hold_part(world.at(HOLD, "hold", 2), "missedDays") == 3


def test_where_the_other_does_not_pause_a_person_decides_about_the_hold(world):
    """Another kind of item: the answered hold is never dropped in silence, and its answer does not reach the other."""
    pushed = world.push(words="levothyroxine 50 mcg")
    assert {q.key for q in pushed.conflicts} == {HOLD} and len(world.conflicts()) == 1
    assert world.at(HOLD, "hold")["status"] == "on-hold"
    review = world.at(MEDICINE, "review")
    assert hold_part(review, "answer") is None
    assert "changed from 'apixaban 5 mg tablet'" in hold_part(review, "question")
    assert row(world, MEDICINE).verdict == "needs-review" and "levothyroxine" in row(world, MEDICINE).reason
    assert world.push(words="levothyroxine 50 mcg").changing == ()
    world.push(words="levothyroxine 50 mcg", take={str(HOLD): "ours"})
    assert world.at(HOLD, "hold")["status"] == "cancelled"
    assert hold_part(world.at(MEDICINE, "review"), "answer") is None


def test_an_answer_that_does_not_say_for_what_is_read_as_before(world):
    """A server that lost what our resource says of the medicine: nothing is asked again for that."""
    ref, hold = next((ref, r) for ref, r in world.resources() if r is world.at(HOLD, "hold"))
    bare = copy.deepcopy(hold)
    for extension in bare["extension"]:
        extension["extension"] = [p for p in extension.get("extension", []) if p["url"] not in ("medicine", "code")]
    world.put(ref, bare)
    state = world.state()
    assert state.items[HOLD].answer.medicine is None
    plan = compiled(world.identifier, answers=answers(state), words=OTHER)
    assert plan.item(HOLD).hold.answered.missed_days == 2


def changes(world, today, **options):
    plan = world.plan(**options)
    held = holding(plan.episode, world.resources())
    return medicine_changes(held.plan, held, world.push(plan), today)


def test_a_move_tells_both_the_one_that_went_and_the_one_that_came(world):
    complete(world, HOLD, "stop", date(2026, 3, 15))
    told = {m.medicine: m for m in changes(world, date(2026, 3, 16), surgery=later(21), words=OTHER)}
    gone, came = told["apixaban 5 mg tablet"], told[OTHER]
    assert (gone.need, gone.is_stopped) == ("no longer listed", True)
    assert (came.is_stopped, came.again, came.days) == (False, False, 3)
    assert came.last_dose_was is None and came.need == "answer"
    task = world.at(HOLD, "restart-needed")
    assert "restart apixaban 5 mg tablet, or say why not" in task["description"]
    later_on = changes(world, date(2026, 3, 17), surgery=later(28), words=OTHER)
    assert [(m.medicine, m.is_stopped) for m in later_on] == [(OTHER, False)]


def test_a_cancelled_surgery_still_asks_about_what_was_stopped_under_its_old_name(world):
    complete(world, HOLD, "stop", date(2026, 3, 15))
    world.push(words=OTHER)
    plan = holding(world.plan().episode, world.resources()).plan
    decided = withdraw(plan, world.resources(), "theatre closed", today=date(2026, 3, 16))
    assert any(n.startswith("apixaban 5 mg tablet: was stopped") for n in decided.notices)
    world.send(decided)
    (task,) = restart_tasks(world)
    assert "restart apixaban 5 mg tablet" in task["description"]


def test_an_unclear_answer_shuts_the_gate_and_makes_no_stop_for_the_patient():
    world = Memory()
    world.push()
    told = [output("decision", valueString="stop"), output("missed-days", valueInteger=5)]
    complete(world, HOLD, "confirm", date(2026, 3, 1), output=told)
    world.push()
    assert world.at(READY, f"mirror:{HOLD}")["status"] == "requested" and world.at(HOLD, "stop") is None
    hold = world.at(HOLD, "hold")
    assert (hold_part(hold, "answer"), hold_part(hold, "missedDays")) == ("stop", 3)
    assert hold["dosageInstruction"][0]["patientInstruction"].startswith("Do not stop or start")
    assert row(world).verdict == "needs-review" and "The answer is unclear" in row(world, READY).reason
    assert world.push().changing == ()
    _, moved, _ = move(world, later(21), date(2026, 3, 20))
    assert not moved.is_stopped and restart_tasks(world) == []
