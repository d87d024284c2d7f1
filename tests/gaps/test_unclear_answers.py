"""An answer that does not say what was decided fulfils nothing: neither the list's gate nor the merge's."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from gaps.plans import dates, plan
from gaps.test_kinds import item
from waykeeper.gaps import worklist
from waykeeper.medicines import NamedMedicine
from waykeeper.plan.gates import gate_state
from waykeeper.plan.model import HoldAnswer, HoldProposal, Item, ItemState, Key, State
from waykeeper.report.medicine_lines import medicine_line

NEEDED = date(2026, 3, 16)
ASKED = {"missed": 5, "due": date(2026, 3, 4)}
UNCLEAR = [("stop", None), ("stop", 5), ("maybe", None), ("continue", 5), ("hold", None), ("indication", None)]
CLEAR = [("hold", 5), ("continue", None), ("already stopped", None)]


def standing(kind, answer, *, earlier=None, hold=None):
    """A medicine with this answer, and a gate that needs nothing else."""
    asked = item({"kind": kind, **ASKED})
    asked = replace(asked, hold=hold) if hold else asked
    gate = Item(Key("gate", "answers"), "Answers", dates=dates(NEEDED), needs=(asked.key,))
    own = ItemState(asked.key, "completed", "done", answer=answer, earlier=earlier)
    return plan(asked, gate), State({asked.key: own, gate.key: ItemState(gate.key, "requested")}), asked, gate


def listed(made, state, as_of):
    return {r.kind: r for r in worklist([(made, state)], (), as_of).rows}


@pytest.mark.parametrize("kind", ["hold", "medicine"])
@pytest.mark.parametrize("as_of", [date(2026, 3, 8), date(2026, 3, 16), date(2026, 3, 18), date(2026, 3, 25)])
@pytest.mark.parametrize(("decision", "days"), UNCLEAR)
def test_an_unclear_answer_opens_no_gate_on_any_day(kind, as_of, decision, days):
    answer = HoldAnswer(decision, days, "Dr Reed", date(2026, 3, 2))
    made, state, asked, gate = standing(kind, answer)
    assert gate_state(gate, made, state).lacking == (asked.key,)
    rows = listed(made, state, as_of)
    assert rows[kind].verdict == "needs-review" and rows[kind].gap
    assert rows["gate"].verdict in ("shut", "not-yet-due")
    assert "The answer is unclear: a medicine" in rows["gate"].reason.replace("A medicine", "a medicine")
    assert "does not pause" not in rows[kind].reason.replace("that it does not pause", "")
    assert medicine_line(made, asked, state).told == "wait"  # "do not stop or start this until we call you"


@pytest.mark.parametrize("kind", ["hold", "medicine"])
@pytest.mark.parametrize(("decision", "days"), CLEAR)
def test_a_clear_answer_does(kind, decision, days):
    made, state, _, gate = standing(kind, HoldAnswer(decision, days, "Dr Reed", date(2026, 3, 2)))
    assert gate_state(gate, made, state).ready
    assert listed(made, state, date(2026, 3, 8))["gate"].verdict == "ready"


@pytest.mark.parametrize("kind", ["hold", "medicine"])
@pytest.mark.parametrize(("decision", "days", "word"), [("hold", 5, "ready"), ("stop", None, "shut")])
def test_an_answer_that_the_plan_was_made_with_counts_as_one_that_stands(kind, decision, days, word):
    """The server may not hold the answer any more; the plan was made of it, and the patient was told."""
    answer = HoldAnswer(decision, days, "Dr Reed", date(2026, 3, 2))
    hold = HoldProposal("hold", "zolidor 5 mg", missed_days=5, last_dose=date(2026, 3, 12), answered=answer)
    made, state, asked, _ = standing(kind, None, hold=hold)
    state = State({**state.items, asked.key: ItemState(asked.key, "on-hold", "open")})
    said = listed(made, state, date(2026, 3, 16))["gate"]
    assert said.verdict == word and ("The answer is unclear" in said.reason) == (word == "shut"), said.reason


# Clinical hazards: a beta blocker told to stop, steroid "hold", type 1 insulin stopped. From memory: rebound (ACC/AHA
# 2014), adrenal crisis (ACR/AAHKS 2022), ketoacidosis (ADA). A stop needs a reason and who said it.
MUST_NOT_STOP = ["metoprolol", "clonidine", "prednisone", "insulin glargine", "insulin lispro", "methadone"]


@pytest.mark.parametrize("text", ["", " ", "hold", "hold 5 days", "slow pulse, cardiology agrees"])
@pytest.mark.parametrize("name", [*MUST_NOT_STOP, "warfarin"])
def test_what_must_not_stop_pauses_only_with_a_reason(name, text):
    hold = HoldProposal("continue", f"{name} 5", ingredients=(name,))
    answer = HoldAnswer("hold", 5, "Dr Reed", date(2026, 3, 2), text=text, medicine=hold.medicine)
    made, state, asked, gate = standing("medicine", answer, hold=hold)
    enough = name == "warfarin" or "pulse" in text
    assert gate_state(gate, made, state).ready is enough
    assert (medicine_line(made, asked, state).told == "wait") is not enough
    for as_of in (date(2026, 3, 8), date(2026, 3, 25)):
        row = listed(made, state, as_of)["medicine"]
        told = "is: hold, 5 days. This medicine must not stop without a reason, and none is recorded."
        assert (told in row.reason) is not enough
        assert (row.verdict == "needs-review") is not enough
    assert "why it pauses with its days" in listed(made, state, date(2026, 3, 8))["medicine"].next_action or enough


def test_what_is_stopped_already_is_not_said_to_go_on():
    made, state, *_ = standing("hold", HoldAnswer("already stopped", None, "Dr Reed", date(2026, 3, 2)))
    row = listed(made, state, date(2026, 3, 8))["hold"]
    assert (row.verdict, row.gap) == ("answered", False)
    assert "It is not taken" in row.reason and "does not pause" not in row.reason


@pytest.mark.parametrize(("kind", "recognised"), [("hold", True), ("medicine", True), ("medicine", False)])
def test_an_answer_about_another_medicine_is_told_with_its_day_and_fulfils_nothing(kind, recognised):
    earlier = HoldAnswer("hold", 2, "Dr Reed", date(2026, 3, 2), medicine=NamedMedicine("apixaban 5 mg"))
    decision = "hold" if kind == "hold" else "continue" if recognised else "ask"
    hold = HoldProposal(decision, "warfarin 5 mg", missed_days=5, recognised=recognised)
    made, state, asked, gate = standing(kind, None, earlier=earlier, hold=hold)
    own = replace(state.items[asked.key], status="on-hold", cls="open")
    state = State({**state.items, asked.key: own})
    assert not gate_state(gate, made, state).ready
    row = listed(made, state, date(2026, 3, 8))[kind]
    told = " ".join((row.reason, *row.questions))
    assert (row.verdict, row.gap) == ("needs-review", True)
    assert "changed from apixaban 5 mg to warfarin 5 mg since the answer of Mon 2026-03-02 by Dr Reed" in told
    assert "(hold, 2 days without a dose)" in told
    gate_row = listed(made, state, date(2026, 3, 8))["gate"]
    assert "Answered for another medicine that stood under this order: warfarin 5 mg" in gate_row.reason
    same = replace(earlier, medicine=NamedMedicine("warfarin 5 mg tablet"))  # asked again for another day, say
    state = State({**state.items, asked.key: replace(own, earlier=same)})
    assert "changed from" not in str(listed(made, state, date(2026, 3, 8))[kind])
