"""A medicine whose kind changes (it pauses, now it asks, or back): its answer was given for what it was before."""

from dataclasses import replace
from datetime import date

import pytest

from merge.small import HOLD
from merge.stories import answer, complete
from merge.worlds import Memory, later
from waykeeper.plan.model import Key

ASKS = Key("medicine", HOLD.item)


def asking(plan):
    """The same row where the rules propose no number any more, as between two operations; compile keeps the answer."""
    items = (replace(i, key=ASKS, hold=replace(i.hold, decision="ask")) if i.key == HOLD else i for i in plan.items)
    needed = (replace(i, needs=tuple(ASKS if n == HOLD else n for n in i.needs)) for i in items)
    return replace(plan, items=tuple(needed))


@pytest.mark.parametrize("days", [0, 21])
def test_it_is_asked_anew_and_a_second_push_changes_nothing(days):
    world = Memory()
    world.push()
    answer(world, 4, date(2026, 2, 27))
    world.push()
    complete(world, HOLD, "stop", date(2026, 3, 1))
    plan = asking(world.plan(surgery=later(days)))
    assert next(i for i in plan.items if i.key == ASKS).hold.answered is not None
    pushed = world.push(plan)
    assert {str(q.key) for q in pushed.conflicts} == {str(HOLD)}
    assert world.at(ASKS, "review")["status"] == "requested"
    assert world.at(ASKS, "stop") is None and world.at(ASKS, "restart") is None
    assert world.at(HOLD, "stop")["status"] == "completed"
    assert world.push(plan).changing == ()


@pytest.mark.parametrize(("told", "proposed"), [(2, 3), (7, 7)])
def test_the_number_that_was_answered_is_proposed_anew_unless_the_rules_propose_more(told, proposed):
    """Apixaban, anaesthetic not known: 3 days (ASRA 2018, 72 h). The longer of the two is safer: common practice."""
    world = Memory()
    world.push()
    answer(world, told, date(2026, 2, 27))
    pushed = world.push(asking(world.plan()))
    hold = next(i.hold for i in pushed.plan.items if i.key == ASKS)
    assert (hold.missed_days, hold.answered) == (proposed, None)
