"""The pause of a weekly medicine begins after the day that was told, for the list, a withdrawal and a move alike.

Injected on Thursdays, a week without a dose before Wednesday 2026-03-18: the last one is Thursday 2026-03-05, while
seven missed days alone would reach back to 2026-03-10. (A week for a weekly dose: ASA consensus guidance on GLP-1
receptor agonists, 2023.)
"""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from merge.small import HOLD, SURGERY
from merge.stories import answer
from merge.test_moves import restart_tasks
from merge.worlds import Memory
from waykeeper.fhir import read_all
from waykeeper.gaps import worklist
from waykeeper.merge import withdraw
from waykeeper.merge.held import holding
from waykeeper.merge.stopped import stopped
from waykeeper.plan.holds import last_dose_of, told_last_dose
from waykeeper.plan.model import HoldAnswer

TOLD, COUNTED = date(2026, 3, 5), date(2026, 3, 10)


class Weekly(Memory):
    """What compile makes of a weekly dose: the proposal names its weekday's day."""

    def plan(self, surgery=SURGERY, **options):
        made = super().plan(surgery, **options)
        days = {"missed_days": 7, "last_dose": TOLD, "first_missed": TOLD + timedelta(7), "last_limit": None}
        items = [replace(i, hold=replace(i.hold, **days)) if i.key == HOLD and i.hold else i for i in made.items]
        return replace(made, items=tuple(items))


@pytest.fixture
def world():
    made = Weekly()
    made.push()
    answer(made, 7, date(2026, 2, 25))
    made.push()
    return made


@pytest.mark.parametrize("today", [TOLD + timedelta(n) for n in range(-1, 8)])
def test_every_reader_sees_the_pause_begin_on_the_same_day(world, today):
    held = holding(world.plan().episode, world.resources())
    begun = [one.item.key for one in stopped(held, today)] == [HOLD]
    assert begun is (today > TOLD)
    world.send(withdraw(held.plan, world.resources(), "theatre closed", today=today))
    assert bool(restart_tasks(world)) is begun
    (row,) = (r for r in worklist(read_all(world.resources()), [], today).rows if r.item == str(HOLD))
    assert ("restart" in row.verdict) is begun


def test_an_answer_of_another_number_is_counted_from_that(world):
    hold = world.plan().item(HOLD).hold
    assert told_last_dose(hold, HoldAnswer("hold", 7), SURGERY) == TOLD
    assert last_dose_of(HoldAnswer("hold", 7), SURGERY) == COUNTED
    assert told_last_dose(hold, HoldAnswer("hold", 10), SURGERY) == SURGERY - timedelta(11)
    assert told_last_dose(hold, HoldAnswer("continue"), SURGERY) is None
    assert told_last_dose(None, HoldAnswer("hold", 7), SURGERY) == COUNTED
