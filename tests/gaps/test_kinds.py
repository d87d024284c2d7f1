"""The words of every kind of item, day by day, from tests/cases/verdicts/kinds.yaml."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from functools import cache

import pytest

from gaps.plans import SURGERY, TYPE, ZONE, dates, evidence, link, plan, visit
from gaps.test_verdict_cases import load
from waykeeper.gaps import worklist
from waykeeper.gaps.words import table
from waykeeper.plan.gates import gate_state
from waykeeper.plan.model import HoldAnswer, HoldProposal, Item, ItemState, Key, Offer, State
from waykeeper.timing.model import Moment, Standing

cases = cache(lambda: load("kinds.yaml"))


def moment(value) -> Moment:
    if isinstance(value, str):
        taken = datetime.fromisoformat(value)
        return Moment(taken.date(), taken.time(), ZONE)
    return Moment(value)


def proposal(entry: dict) -> HoldProposal | None:
    if entry["kind"] == "medicine":
        known = entry.get("recognised", True)
        return HoldProposal(entry.get("decision", "continue" if known else "ask"), "a medicine", recognised=known)
    if entry["kind"] != "hold":
        return None
    missed = entry["missed"]
    limit = moment(entry["last_limit"]) if "last_limit" in entry else None
    return HoldProposal(
        "hold", "a medicine", missed_days=missed, last_dose=SURGERY - timedelta(days=missed + 1),
        first_missed=SURGERY - timedelta(days=missed), last_limit=limit, restart=entry.get("restart", ""),
        restart_from=entry.get("restart_from"),
    )  # fmt: skip


def item(entry: dict) -> Item:
    due, start = entry.get("due"), entry.get("from")
    when = dates(
        due, (start, due) if start and due else None, due_from=entry.get("due_from"),
        valid_from=entry.get("valid_from"), earliest=entry.get("earliest"), awaited=entry.get("awaited"),
    )  # fmt: skip
    needs = tuple(Key(*n.split("/")) for n in entry.get("needs", ()))
    name = entry.get("name", "one")
    return Item(
        Key(entry["kind"], name), name.capitalize(), dates=when, harm=entry.get("harm", 1), hold=proposal(entry),
        valid_for=entry.get("valid_for", ""), until=entry.get("until", ""), needs=needs,
    )  # fmt: skip


def offer(missed: int) -> Offer:
    return Offer("hold", missed, SURGERY - timedelta(days=missed + 1), ground=(f"a value that means {missed} days",))


def answered_to(made: Item, entry: dict, known: ItemState) -> Item:
    """The item of a plan that was made with the answer: to `was` days it was given, `now` days are proposed."""
    return replace(made, hold=replace(made.hold, answered=known.answer, offer=offer(entry["now"])))


def state(key: Key, entry: dict, was: int | None = None) -> ItemState:
    fields = dict(entry)
    if "answer" in fields:
        fields["answer"] = HoldAnswer(**fields["answer"], offer=None if was is None else offer(was))
    if "last_taken" in fields:
        fields["last_taken"] = moment(fields["last_taken"])
    return ItemState(key, **fields)


def on_day(case: dict, as_of: date):
    entries = [case["item"] | {"state": case.get("state")}, *case.get("with", ())]
    items = [item(e) for e in entries]
    pairs = list(zip(items, entries, strict=True))
    states = {i.key: state(i.key, e["state"], e.get("was")) for i, e in pairs if e.get("state")}
    items = [answered_to(i, e, states[i.key]) if "now" in e else i for i, e in pairs]
    died = case.get("died")
    known = State(states, deceased=bool(died), deceased_on=died)
    rows = worklist([(plan(*items, withdrawn=case.get("withdrawn", "")), known)], (), as_of).rows
    return next(r for r in rows if r.item == str(items[0].key))


def pairs():
    return [(c, day, word) for c in cases() for day, word in c["days"].items()]


@pytest.mark.parametrize(("case", "day", "wanted"), pairs(), ids=lambda v: v["name"] if isinstance(v, dict) else str(v))
def test_word_of_the_day(case, day, wanted):
    row = on_day(case, day)
    word, _, severity = wanted.partition(" ")
    assert (row.verdict, row.severity) == (word, int(severity or 0)), row.reason
    assert row.gap == bool(severity)
    assert case.get("says", "") in row.reason or day != max(case["days"])
    assert row.gap == bool(row.next_action)
    assert row.by is None or row.by >= day


def test_every_word_of_the_table_is_reached_by_a_case():
    """A word that no case reaches is either wrong in the table or untested."""
    reached = {(c["item"]["kind"], w.partition(" ")[0]) for c, _, w in pairs()}
    for kind in ("task", "hold", "medicine", "gate", "instruction", "restriction", "goal"):
        words = {str(e.get("word", n)) for n, e in table()[kind].items()}
        missing = words - {w for k, w in reached if k == kind} - {"excused", "undated", "needs-review"}
        assert not missing, f"{kind}: {missing}"


@pytest.mark.parametrize("kind", ["task", "question", "medicine", "hold", "gate", "instruction", "restriction", "goal"])
def test_a_plan_that_is_over_excuses_everything(kind):
    case = {"item": {"kind": kind, "due": SURGERY, "missed": 5, "recognised": False}, "withdrawn": "moved away"}
    row = on_day(case, SURGERY - timedelta(days=1))
    assert (row.verdict, row.gap) == ("excused", False)
    assert "moved away" in row.reason
    assert not row.contactable


@pytest.mark.parametrize("by_us", [True, False])
def test_of_a_plan_that_was_withdrawn_only_what_a_person_took_out_is_told_so(by_us):
    known = {"status": "cancelled", "cls": "withdrawn", "withdrawn_by_us": by_us}
    known["answer"] = {"decision": "hold", "missed_days": 5}
    case = {"item": {"kind": "hold", "missed": 5}, "state": known, "withdrawn": "moved away"}
    row = on_day(case, SURGERY - timedelta(days=1))
    assert (row.verdict, "Its pause was taken out of the plan" in row.reason) == ("restart-due", not by_us)


@pytest.mark.parametrize("kind", ["task", "question", "hold", "gate", "instruction", "restriction", "goal"])
def test_entered_in_error_is_always_for_a_person(kind):
    case = {"item": {"kind": kind, "due": SURGERY, "missed": 5}, "state": {"status": "entered-in-error", "cls": "void"}}
    row = on_day(case, SURGERY - timedelta(days=1))
    assert (row.verdict, row.gap) == ("needs-review", True)


@pytest.mark.parametrize("kind", ["task", "question", "gate", "instruction", "restriction", "goal"])
def test_awaited_is_undated(kind):
    needs = ["task/nothing"] if kind == "gate" else []
    row = on_day({"item": {"kind": kind, "awaited": "discharge", "needs": needs}}, SURGERY)
    assert (row.verdict, row.gap) == ("undated", False)
    assert "discharge" in row.reason


def test_the_patient_never_acts_on_the_worklist():
    """A thing that the patient does still has somebody of the clinic who sees to it."""
    made = Item(Key("task", "wash"), "Wash", who="patient", dates=dates(SURGERY))
    row = worklist([(plan(made), State())], (), SURGERY).gaps[0]
    assert (row.who, row.next_action) == ("coordinator", "Have the patient do it by Wed 2026-03-18.")


def test_an_undecided_item_names_the_question_as_people_ask_it():
    ask = Item(Key("question", "mrsa_ever"), "Ever told of MRSA?", fact="mrsa_ever", dates=dates(SURGERY))
    swab = Item(Key("task", "swab"), "Swab", undecided=("mrsa_ever", "lives_alone"), dates=dates(SURGERY))
    rows = {r.item: r.reason for r in worklist([(plan(ask, swab), State())], (), SURGERY).rows}
    assert rows["task/swab"].endswith("Whether it applies is not known yet: Ever told of MRSA?; lives alone")


def test_a_gate_lists_a_need_of_several_days_once():
    needs = tuple(Key("task", "list", day) for day in ("one", "two"))
    rows = [Item(k, "Go through the list", dates=dates(SURGERY)) for k in needs]
    gate = Item(Key("gate", "ready"), "Ready", dates=dates(SURGERY), needs=needs)
    found = worklist([(plan(*rows, gate), State())], (), SURGERY).rows
    assert next(r.reason for r in found if r.kind == "gate").endswith("Not done yet: Go through the list (2 of them).")


def test_gates_that_need_gates_are_judged_after_them():
    first = Item(Key("gate", "first"), "First", dates=dates(SURGERY))
    last = Item(Key("gate", "last"), "Last", dates=dates(SURGERY), needs=(first.key,))
    found = {r.item: r.verdict for r in worklist([(plan(last, first), State())], (), SURGERY).rows}
    assert (found["gate/first"], found["gate/last"]) == ("ready", "shut")


@pytest.mark.parametrize(("certainty", "word"), [("linked", "ready"), ("recognised", "shut")])
def test_only_a_linked_visit_opens_a_gate(certainty, word):
    """The mirror of a need is completed by linked evidence only."""
    seen = visit("six-week")
    gate = Item(Key("gate", "films"), "Films", dates=dates(seen.dates.target.day), needs=(seen.key,))
    made = plan(seen, gate)
    came = evidence("Appointment/1", "fulfilled", seen.dates.target.day, text="6 week", service_types=(TYPE,),
                    link_to=link(made, "six-week") if certainty == "linked" else None)  # fmt: skip
    rows = {r.item: r for r in worklist([(made, State())], [came], seen.dates.target.day).rows}
    assert (rows["visit/six-week"].verdict, rows["visit/six-week"].certainty) == ("attended", certainty)
    assert rows["gate/films"].verdict == word


@pytest.mark.parametrize("kind", ["hold", "medicine"])
@pytest.mark.parametrize("said", ["stop", "maybe", "pause", "hold -5 days", "ask"])
def test_an_answer_that_does_not_say_what_becomes_of_a_medicine_asks(kind, said):
    asked = item({"kind": kind, "missed": 5, "due": date(2026, 3, 4)})
    own = ItemState(asked.key, "completed", "done", answer=HoldAnswer(said, None, "Dr Reed", date(2026, 3, 2)))
    rows = worklist([(plan(asked), State({asked.key: own}))], (), date(2026, 3, 8)).rows
    (row,) = [r for r in rows if r.kind == kind]
    assert (row.verdict, row.gap, row.severity) == ("needs-review", True, 3)
    assert said in row.reason and "does not pause before" not in row.reason


@pytest.mark.parametrize("kind", ["hold", "medicine"])
@pytest.mark.parametrize("more", [{}, {"last_taken": Moment(date(2026, 3, 12))}, {"restarted_on": date(2026, 3, 20)}])
def test_a_pause_that_was_answered_stays_answered_for_the_gate(kind, more):
    """As the merge counts it: an answer is an answer, whatever followed it."""
    answer = HoldAnswer("hold", 5, "Dr Reed", date(2026, 3, 2))
    asked = item({"kind": kind, "missed": 5, "due": date(2026, 3, 4)})
    gate = Item(Key("gate", "answers"), "Answers", dates=dates(date(2026, 3, 16)), needs=(asked.key,))
    own = ItemState(asked.key, "completed", "done", answer=answer, **more)
    made = plan(asked, gate)
    state_of = State({asked.key: own, gate.key: ItemState(gate.key, "requested")})
    assert gate_state(gate, made, state_of).ready
    rows = {r.item: r.verdict for r in worklist([(made, state_of)], (), date(2026, 3, 15)).rows}
    assert rows["gate/answers"] == "ready"


@pytest.mark.parametrize(
    ("own", "word"),
    [
        ({"answer": HoldAnswer("hold", 5, on=date(2026, 3, 16))}, "needs-review"),
        ({"answer": HoldAnswer("hold", 5), "last_taken": Moment(date(2026, 3, 14))}, "taken"),
        ({"answer": HoldAnswer("hold", 5), "last_taken": Moment(SURGERY)}, "taken"),
        ({"answer": HoldAnswer("hold", 5), "last_taken": Moment(date(2026, 3, 12))}, "restart-due"),
    ],
)
@pytest.mark.parametrize("standing", [Standing.GIVEN, Standing.RECORDED])
def test_on_the_morning_of_surgery_a_pause_that_may_not_be_kept_is_asked_about_still(own, word, standing):
    """A hold is no dose on the day of surgery either, and until something proves the operation it can be put off."""
    one = item({"kind": "hold", "missed": 5})
    made = plan(one, standing=standing)
    known = State({one.key: ItemState(one.key, **own)})
    found = [next(r for r in worklist([(made, known)], (), day).rows if r.kind == "hold")
             for day in (SURGERY, SURGERY + timedelta(days=1))]  # fmt: skip
    assert [r.verdict for r in found] == [word if standing is Standing.GIVEN else "restart-due", "restart-due"]
    assert found[0].severity == (3 if standing is Standing.GIVEN and word != "restart-due" else 2)


@pytest.mark.parametrize(("by", "told"), [("Dr Reed", "(Dr Reed)"), ("", "(no name is recorded)")])
def test_an_answer_says_who_gave_it_or_that_nobody_is_named(by, told):
    """A licensed prescriber confirms each pause: another system may complete the Task without a name."""
    one = item({"kind": "hold", "missed": 5})
    for days in (5, None):
        answer = HoldAnswer("hold" if days else "continue", days, by, SURGERY - timedelta(days=16))
        known = State({one.key: ItemState(one.key, answer=answer)})
        rows = worklist([(plan(one), known)], (), SURGERY - timedelta(days=10)).rows
        assert f"The prescriber answered {told}: " in next(r for r in rows if r.kind == "hold").reason
