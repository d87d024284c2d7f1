"""What was done for a day is done where the plan names hours of that very day: earlier versions wrote none of these."""

from __future__ import annotations

from datetime import time
from typing import Any

import pytest

from merge.small import HOLD
from merge.stories import answer, hold_part
from merge.worlds import TODAY, Memory
from waykeeper.fhir.ownership import with_offered
from waykeeper.merge.groups import judge
from waykeeper.merge.rounds import _moved

HOURS = {"start": "2026-03-18T00:00:00-05:00", "end": "2026-03-18T07:30:00-05:00"}
DAY = {"start": "2026-03-18", "end": "2026-03-18"}


NURSES = {"start": "2026-03-18", "end": "2026-03-20"}


def task(period: dict[str, str] | None) -> dict[str, Any]:
    return {"resourceType": "Task"} | ({"restriction": {"period": period}} if period else {})


@pytest.mark.parametrize(
    ("was", "now", "same"),
    [
        (DAY, HOURS, True),
        (DAY, {name: day.replace("-18", "-19", 1) for name, day in HOURS.items()}, False),
        ({"start": "2026-03-17", "end": "2026-03-18"}, HOURS, False),
        (HOURS, HOURS | {"end": "2026-03-18T13:00:00-05:00"}, False),  # surgery at another hour
        (HOURS, DAY, False),
        ({"end": "2026-03-18"}, HOURS, False),
        (None, HOURS, False),
        (DAY, None, False),
    ],
)
def test_hours_of_the_same_days_are_no_other_dates(was, now, same) -> None:
    """Neither is what was done then done again, nor is a date of a nurse's a question; untouched, it gets the hours."""
    offered, wanted = with_offered(task(was)), task(now)
    assert _moved(offered, wanted) is not same
    assert judge(wanted, offered, "when") == "write"
    nurses = offered | task(NURSES)
    assert _moved(nurses, wanted) is not same
    assert judge(wanted, nurses, "when") == ("theirs" if same else "conflict")


@pytest.mark.parametrize(("rules", "named", "again"), [
    ("cardiovascular", "lisinopril 10 mg", True), ("anticoagulants", "apixaban 5 mg tablet", False),
])  # fmt: skip
def test_an_answer_is_of_its_hour_only_where_its_limit_is_counted_in_hours(rules, named, again) -> None:
    """ACE inhibitor 24 h before the start (AHA/ACC 2024); merge.md: an answered hold whose anchor moved."""
    world = Memory()
    asked = {"words": named, "anaesthesia": "general", "changes": (("[anticoagulants]", f"[{rules}]"),)}
    world.push(clock=time(13), **asked)
    answer(world, 0, TODAY)
    world.push(clock=time(13), **asked)
    assert hold_part(world.at(HOLD, "hold"), "answerDays") == 0 and world.push(clock=time(13), **asked).changing == ()
    world.push(clock=time(7, 30), **asked)
    newest = world.at(HOLD, "hold", 2 if again else 1)
    assert hold_part(newest, "answer") == (None if again else "hold")
    assert (world.at(HOLD, "hold", 2) is None) is not again
