"""A gate waits for the same medicines in the list and on the server: an answer that stands does not lapse with a day.

Both follow one rule (`plan.gates.need_met`); what would tell them apart is the day on which somebody looks.
"""

from dataclasses import replace
from datetime import timedelta

import pytest

from gaps.plans import SURGERY, dates, plan
from waykeeper.gaps import worklist
from waykeeper.plan.gates import gate_state
from waykeeper.plan.model import HoldAnswer, HoldProposal, Item, ItemState, Key, State
from waykeeper.timing.model import Moment

HOLD, GATE = Key("hold", "x"), Key("gate", "ready")
ANSWERED = SURGERY - timedelta(days=16)
DAYS = [SURGERY + timedelta(days=n) for n in range(-20, 6)]
ANSWERS = {
    "nobody answered": None,
    "paused": HoldAnswer("hold", 0, "Dr Reed", ANSWERED),
    "paused for longer": HoldAnswer("hold", 5, "Dr Reed", ANSWERED),
    "not paused": HoldAnswer("continue", None, "Dr Reed", ANSWERED),
    "unclear": HoldAnswer("hold", None, "Dr Reed", ANSWERED),
    "of a day to come": HoldAnswer("hold", 0, "Dr Reed", SURGERY - timedelta(days=1)),
}
TAKEN = {"nothing is known": None, "on its last day": SURGERY - timedelta(days=1), "on the morning": SURGERY}


def made(answer, taken):
    """A plan of one hold and the gate that waits for its answer, with what is recorded."""
    last = SURGERY - timedelta(days=1)
    proposal = HoldProposal(
        "hold", "lisinopril", missed_days=0, last_dose=last, first_missed=SURGERY,
        restart_from=SURGERY + timedelta(days=1),
    )  # fmt: skip
    hold = Item(
        HOLD, "Pause lisinopril", dates=dates(last, due_from=SURGERY - timedelta(days=14)), harm=3, hold=proposal
    )
    gate = Item(GATE, "Ready for surgery", dates=dates(SURGERY - timedelta(days=7)), harm=3, needs=(HOLD,))
    told = Moment(taken) if taken else None
    own = ItemState(HOLD, "on-hold", "busy" if answer else "open", answer=answer, last_taken=told)
    return plan(hold, gate), State(items={HOLD: own, GATE: ItemState(GATE, "requested", "open")})


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
@pytest.mark.parametrize("answer", ANSWERS.values(), ids=ANSWERS)
def test_the_list_and_the_server_wait_for_the_same(answer, taken):
    made_plan, state = made(answer, taken)
    for day in DAYS:
        rows = {r.item: r for r in worklist([(made_plan, state)], [], day).rows}
        waits = "lisinopril" in rows[str(GATE)].reason
        assert waits is not gate_state(made_plan.item(GATE), made_plan, state, today=day).ready, (day, rows[str(GATE)])


def test_on_the_morning_of_surgery_nobody_is_asked_again_for_an_answer_that_stands():
    made_plan, state = made(ANSWERS["paused"], None)
    rows = {r.item: r for r in worklist([(made_plan, state)], [], SURGERY).rows}
    assert rows[str(GATE)].verdict == "ready"
    assert "answered: lisinopril" not in rows[str(GATE)].reason
    unanswered = replace(state, items={**state.items, HOLD: ItemState(HOLD, "on-hold", "open")})
    rows = {r.item: r for r in worklist([(made_plan, unanswered)], [], SURGERY).rows}
    assert "Never answered: lisinopril" in rows[str(GATE)].reason


def test_an_answer_on_a_hold_that_was_entered_in_error_opens_no_gate():
    """verdicts.md 3: entered in error is needs-review, and a gate lists what is missing: the answer needs a review."""
    made_plan, state = made(ANSWERS["paused"], None)
    void = replace(state.items[HOLD], cls="void", status="entered-in-error")
    held = replace(state, items={**state.items, HOLD: void})
    rows = {r.item: r for r in worklist([(made_plan, held)], [], SURGERY).rows}
    assert rows[str(HOLD)].verdict == "needs-review"
    assert rows[str(GATE)].verdict == "shut" and "lisinopril" in rows[str(GATE)].reason


@pytest.mark.parametrize("answer", ANSWERS.values(), ids=ANSWERS)
@pytest.mark.parametrize(
    "more", [{"restarted_on": SURGERY + timedelta(days=1)}, {"cls": "done", "status": "completed"}]
)
def test_no_state_of_a_medicine_breaks_the_list(answer, more):
    """A medicine that was started again and never answered has no word for a gate: the whole list ended with it."""
    made_plan, state = made(answer, None)
    held = replace(state, items={**state.items, HOLD: replace(state.items[HOLD], **more)})
    for day in DAYS:
        rows = {r.item: r for r in worklist([(made_plan, held)], [], day).rows}
        assert rows[str(GATE)].verdict
    if answer is None and "restarted_on" in more:
        assert "Started again, without a clear answer: lisinopril" in rows[str(GATE)].reason
