"""What fulfils a need of a gate. fhir.md 1: an instruction is printed, not tracked; only linked evidence and people
tick a need. verdicts.md 3: a hold is `stopped` where the last actual dose lies on its last-dose day or before. That
what the plan itself withdrew is not asked for: common practice, no source."""

from datetime import date

import pytest

from waykeeper.plan.gates import need_met
from waykeeper.plan.model import HoldAnswer, Item, ItemState, Key
from waykeeper.timing.model import Moment

TASK, VISIT, GATE, TOLD = Key("task", "call"), Key("visit", "x"), Key("gate", "film"), Key("instruction", "raise")


def of(key, status, cls, **more):
    return ItemState(key, status, cls, **more)


@pytest.mark.parametrize(("key", "state", "attended", "met"), [
    (TOLD, None, (), True),
    (TASK, None, (), False),
    (VISIT, None, (), False),
    (VISIT, None, (VISIT,), True),
    (TASK, None, (TASK,), False),
    (TASK, of(TASK, "requested", "open"), (), False),
    (TASK, of(TASK, "completed", "done"), (), True),
    (TASK, of(TASK, "rejected", "done"), (), False),
    (GATE, of(GATE, "failed", "done"), (), False),
    (TASK, of(TASK, "cancelled", "withdrawn", withdrawn_by_us=True), (), True),
    (TASK, of(TASK, "cancelled", "withdrawn"), (), False),
    (TASK, of(TASK, "entered-in-error", "void"), (), False),
    (VISIT, of(VISIT, "active", "open"), (VISIT,), True),
    (VISIT, of(VISIT, "completed", "done"), (), False),
    (VISIT, of(VISIT, "completed", "done"), (VISIT,), True),
])  # fmt: skip
def test_what_fulfils_a_need(key, state, attended, met):
    assert need_met(key, state, attended) is met


HOLD = Key("hold", "rx-1")


@pytest.mark.parametrize(("answered", "more", "today", "met"), [
    (13, {}, 14, True),
    (14, {}, 14, False),  # the last-dose day was over: whether it was taken since, nobody said
    (14, {}, 18, False),
    (14, {}, 19, True),  # after surgery nothing can be kept any more
    (14, {"stopped_on": 13}, 14, True),
    (14, {"stopped_on": 14}, 14, False),
    (14, {"last_taken": 13}, 14, True),
    (13, {"last_taken": 14}, 15, False),
    (13, {"last_taken": 18}, 18, False),
    (13, {"last_taken": 19}, 19, True),  # taken again after surgery
    (15, {}, 14, False),  # recorded for a day that has not come
    (13, {"last_taken": 16}, 15, False),
])  # fmt: skip
def test_a_pause_fulfils_a_need_where_it_is_known_to_be_kept(answered, more, today, met):
    """Surgery on the 18th, 4 days without a dose: the last one is due on the 13th."""
    day = date(2026, 3, 1).replace
    told = HoldAnswer("hold", 4, "Dr Reed", day(day=answered))
    known = {name: Moment(day(day=n)) if name == "last_taken" else day(day=n) for name, n in more.items()}
    state = of(HOLD, "completed", "done", answer=told, **known)
    assert need_met(HOLD, state, (), item=Item(HOLD, "Pause"), today=day(day=today), surgery=day(day=18)) is met
