"""A patient went home on another day than the plan assumed: the list says so, and rests on the day of the record."""

from dataclasses import replace
from datetime import date

import pytest

from merge.small import compiled, new_identifier
from waykeeper.gaps import worklist
from waykeeper.plan.model import State
from waykeeper.timing.model import Standing

AS_OF = date(2026, 3, 25)  # surgery Wed 2026-03-18, discharge assumed on Thu 2026-03-19
LATE = date(2026, 3, 23)
SURGERY = {"surgery": "Procedure/1"}


def plan_row(standing=Standing.ASSUMED, day=LATE, as_of=AS_OF):
    made = compiled(new_identifier())
    anchors = tuple(replace(a, standing=standing) if a.name == "discharge" else a for a in made.anchors)
    state = State(proven={**SURGERY, "discharge": "Encounter/1"}, proven_on={"discharge": day})
    rows = worklist([(replace(made, anchors=anchors), state)], [], as_of).rows
    return next(r for r in rows if r.item == "plan/plan")


@pytest.mark.parametrize("standing", [Standing.ASSUMED, Standing.RECORDED, Standing.GIVEN])
def test_another_day_asks_to_make_the_plan_again(standing):
    found = plan_row(standing)
    assert (found.verdict, found.severity, found.since) == ("needs-review", 2, LATE)
    assert "has discharge on Mon 2026-03-23, and this plan counts from Thu 2026-03-19" in found.reason
    assert found.next_action.startswith("Make the plan again (move)")


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ({"day": date(2026, 3, 19)}, "the very day"),
        ({"as_of": date(2026, 3, 22)}, "the day has not come"),
    ],
)
def test_nothing_is_asked_where(told, why):
    assert plan_row(**told).verdict == "current", why
