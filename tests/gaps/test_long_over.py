"""A step that is more than a month late is not simply done now; what hurts most is, whenever it is found."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gaps.plans import SURGERY, dates, item, plan
from waykeeper.gaps import worklist
from waykeeper.plan.model import State

NOW = "do it today"


@pytest.mark.parametrize(
    ("due", "late", "harm", "now"),
    [
        (60, 30, 2, True), (60, 31, 2, False), (60, 31, 1, False),
        (60, 300, 3, True),  # what hurts most is done whenever it is found
        (-60, 40, 2, True),  # before an operation that is still to come
    ],
)  # fmt: skip
def test_what_is_to_be_done_about_a_late_step(due, late, harm, now):
    day = SURGERY + timedelta(days=due)
    one = plan(item("task", "forms", dates(day, (day, day)), harm=harm, who="coordinator"))
    rows = worklist([(one, State())], [], day + timedelta(days=late)).rows
    row = next(r for r in rows if r.kind == "task")
    assert (row.verdict, row.gap, row.severity) == ("overdue", True, 3 if harm == 3 else 2)
    assert (NOW in row.next_action) is now
    assert now or "if nothing is, tell the surgeon and close it with the reason" in row.next_action
