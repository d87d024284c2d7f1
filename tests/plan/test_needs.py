"""What fulfils a need of a gate. fhir.md 1: an instruction is printed, not tracked; only linked evidence and people
tick a need. That what the plan itself withdrew is not asked for: common practice, no source."""

import pytest

from waykeeper.plan.gates import need_met
from waykeeper.plan.model import ItemState, Key

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
    (VISIT, of(VISIT, "completed", "done"), (), True),
])  # fmt: skip
def test_what_fulfils_a_need(key, state, attended, met):
    assert need_met(key, state, attended) is met
