"""A medicine whose row went from the list stays a question until somebody answers: in the worklist and in each move."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from merge.small import HOLD, compiled
from merge.worlds import Memory, later
from waykeeper.fhir import read_all
from waykeeper.gaps import worklist
from waykeeper.merge import withdraw
from waykeeper.merge.held import holding
from waykeeper.merge.medicine_changes import medicine_changes
from waykeeper.plan.model import Key

TODAY = date(2026, 3, 1)
OTHER = Key("hold", "https://alder-quay.example/orders|rx-77")


def without(plan):
    """The plan as compiled from a list that has lost the row."""
    items = (replace(i, needs=tuple(n for n in i.needs if n != HOLD)) for i in plan.items if i.key != HOLD)
    return replace(plan, items=tuple(items))


def renamed(plan, key=OTHER, **hold):
    """The same row under another id."""
    items = (replace(i, key=key, hold=replace(i.hold, **hold)) if i.key == HOLD else i for i in plan.items)
    needed = (replace(i, needs=tuple(key if n == HOLD else n for n in i.needs)) for i in items)
    return replace(plan, items=tuple(needed))


@pytest.fixture
def world():
    made = Memory()
    made.push()
    return made


def rows(world, as_of=TODAY):
    listed = worklist(read_all(world.resources()), [], as_of)
    return {r.item: r for r in listed.rows if r.kind in ("hold", "medicine")}


def moved(world, plan):
    """What a move to this plan says of each medicine, and its merge."""
    old = read_all(world.resources())[0][0]
    held = holding(plan.episode, world.resources())
    return {m.item: m for m in medicine_changes(old, held, world.push(plan), TODAY)}


def test_it_is_a_gap_and_every_later_move_names_it_again(world):
    for days in (7, 14, 21):
        said = moved(world, without(compiled(world.identifier, later(days))))
        assert said[HOLD].need == "no longer listed"
        row = rows(world)[str(HOLD)]
        assert (row.verdict, row.gap, row.severity) == ("needs-review", True, 2)
        assert "is not on the newest one" in row.reason and "by whom and since when" in row.next_action
    assert rows(world, later(60))[str(HOLD)].gap  # also when surgery is over


def test_an_answer_ends_it(world):
    world.push(without(compiled(world.identifier)))
    assert rows(world)[str(HOLD)].gap
    output = [{"type": {"coding": [{"system": _codes(), "code": "decision"}]}, "valueString": "stop"}]
    world.edit(HOLD, "confirm", status="completed", output=output)
    assert not rows(world)[str(HOLD)].gap
    assert HOLD not in moved(world, without(compiled(world.identifier, later(7))))


def test_a_reason_for_closing_it_ends_it(world):
    world.push(without(compiled(world.identifier)))
    output = [{"type": {"coding": [{"system": _codes(), "code": "closed-because"}]}, "valueString": "never took it"}]
    world.edit(HOLD, "confirm", output=output)
    assert not rows(world)[str(HOLD)].gap
    assert HOLD not in moved(world, without(compiled(world.identifier, later(7))))


def test_listed_again_it_is_the_medicine_that_it_was(world):
    world.push(without(compiled(world.identifier)))
    said = moved(world, compiled(world.identifier, later(7)))
    assert said[HOLD].need != "no longer listed"
    assert rows(world)[str(HOLD)].verdict in ("not-yet-due", "unanswered")


def test_a_plan_that_is_withdrawn_asks_nothing_about_it(world):
    world.push(without(compiled(world.identifier)))
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "surgery cancelled", today=TODAY))
    assert rows(world)[str(HOLD)].verdict == "excused"


def test_under_another_id_it_is_one_medicine_recognised_by_its_words(world):
    said = moved(world, renamed(compiled(world.identifier, later(7))))
    assert set(said) == {OTHER} and said[OTHER].renamed and said[OTHER].last_dose_was is not None
    assert {i: r.verdict for i, r in rows(world).items()} == {str(HOLD): "excused", str(OTHER): "not-yet-due"}
    again = moved(world, renamed(compiled(world.identifier, later(14))))
    assert set(again) == {OTHER} and not again[OTHER].renamed


def test_other_words_are_another_medicine(world):
    said = moved(world, renamed(compiled(world.identifier, later(7)), words="apixaban 2.5 mg tablet"))
    assert said[HOLD].need == "no longer listed" and not said[OTHER].renamed
    assert rows(world)[str(HOLD)].verdict == "needs-review"


def test_another_decision_about_the_same_row_is_no_loss(world):
    said = moved(world, renamed(compiled(world.identifier, later(7)), Key("medicine", HOLD.item)))
    assert [k.kind for k in said] == ["medicine"]
    assert not any(r.verdict == "needs-review" and r.item == str(HOLD) for r in rows(world).values())


def _codes():
    from waykeeper.fhir.names import TASK_CODES

    return TASK_CODES


@pytest.mark.parametrize(("said", "asked"), [("maybe", True), ("already stopped", False), ("stop", False)])
def test_an_answer_that_says_nothing_plain_does_not_end_it(world, said, asked):
    """Of what is listed no more, "stop" is plain."""
    world.push(without(compiled(world.identifier)))
    output = [{"type": {"coding": [{"system": _codes(), "code": "decision"}]}, "valueString": said}]
    world.edit(HOLD, "confirm", status="completed", output=output)
    assert rows(world)[str(HOLD)].gap is asked
    assert (HOLD in moved(world, without(compiled(world.identifier, later(7))))) is asked
