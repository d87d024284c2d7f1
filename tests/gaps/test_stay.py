"""What was due between surgery and discharge: over once the patient is, or should be, at home."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from gaps.plans import SURGERY, plan
from waykeeper.gaps.setting import setting
from waykeeper.gaps.stay import is_after_discharge, stay_over
from waykeeper.plan.model import State
from waykeeper.timing.model import Anchor, Moment, Standing

HOME = SURGERY + timedelta(days=2)


def stayed(standing: Standing):
    made = plan()
    return replace(made, anchors=(*made.anchors, Anchor("discharge", Moment(HOME), standing)))


@pytest.mark.parametrize(("due", "as_of", "over"), [
    (SURGERY, 3, False), (SURGERY + timedelta(days=1), 3, True), (HOME, 3, True),
    (HOME + timedelta(days=1), 9, False), (HOME, 2, False), (None, 3, False),
])  # fmt: skip
def test_the_days_of_the_stay_and_the_day_after_it(due: date | None, as_of: int, over: bool):
    day = SURGERY + timedelta(days=as_of)
    told = {s: stay_over(due, stayed(s), State(), day) for s in (Standing.RECORDED, Standing.GIVEN)}
    assert told == ({Standing.RECORDED: "-home", Standing.GIVEN: "-stay"} if over else dict.fromkeys(told, ""))


def test_after_discharge_begins_on_the_day_after_it_and_without_one_on_the_day_after_surgery():
    for made, last in ((stayed(Standing.GIVEN), HOME), (plan(), SURGERY)):
        on = setting(made, State(), SURGERY)
        assert [is_after_discharge(day, on) for day in (None, last, last + timedelta(days=1))] == [False, False, True]
