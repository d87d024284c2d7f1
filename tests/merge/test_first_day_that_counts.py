"""A task that was done, whose first day that counts (`valid_for`) is another after a move, in either direction.

merge.md: what is done is kept and begins a new round only if it must be renewed; no wrong date is left standing.
verdicts.md 3: `renew` = done, but too early for the date. language.md: months clip to the month's end.
"""

from datetime import date

import pytest

from merge.small import BLOOD
from merge.stories import complete
from merge.worlds import Memory
from waykeeper.fhir import read_all
from waykeeper.gaps import worklist

TWO_MONTHS = (("valid_for: 30 days before surgery", "valid_for: 2 months before surgery"),)


def said(world, day):
    """The word of the task on that day."""
    return {r.item: r.verdict for r in worklist(read_all(world.resources()), [], day).rows}[str(BLOOD)]


def done(day, surgery, **more):
    world = Memory()
    world.today = day
    world.push(surgery=surgery, changes=TWO_MONTHS)
    complete(world, BLOOD, "task", day, **more)
    return world


@pytest.mark.parametrize(("day", "before", "after", "counts"), [
    # the first day that counts: 2028-01-01, then 2027-12-27
    (date(2027, 12, 31), date(2028, 3, 1), date(2028, 2, 27), True),
    (date(2027, 12, 27), date(2028, 3, 1), date(2028, 2, 27), True),
    (date(2027, 12, 26), date(2028, 3, 1), date(2028, 2, 27), False),
    # 2027-12-29, then 2027-12-28; of the rest 2028-02-29 (clipped), then 2028-02-28
    (date(2027, 12, 28), date(2028, 2, 29), date(2028, 2, 28), True),
    (date(2028, 2, 28), date(2028, 4, 30), date(2028, 4, 28), True),
    (date(2028, 2, 27), date(2028, 4, 29), date(2028, 4, 28), False),
    # later: 2027-12-29 and 2028-01-01; 2028-02-29 for both
    (date(2027, 12, 31), date(2028, 2, 29), date(2028, 3, 1), False),
    (date(2028, 1, 1), date(2028, 2, 29), date(2028, 3, 1), True),
    (date(2028, 2, 29), date(2028, 4, 29), date(2028, 4, 30), True),
])  # fmt: skip
def test_what_was_done_is_judged_by_the_date_that_holds(day, before, after, counts):
    world = done(day, before)
    world.push(surgery=after, changes=TWO_MONTHS)
    task = world.at(BLOOD, "task")
    assert said(world, day) == ("done" if counts else "not-yet-due")
    assert task["status"] == ("completed" if counts else "requested")
    assert world.push(surgery=after, changes=TWO_MONTHS).changing == ()


def test_nothing_else_of_what_is_done_is_written():
    note, period = [{"text": "taken at the ward"}], {"start": "2027-12-20", "end": "2028-02-01"}
    world = done(date(2027, 12, 31), date(2028, 3, 1), note=note, restriction={"period": period})
    before = world.at(BLOOD, "task")
    world.push(surgery=date(2028, 2, 27), changes=TWO_MONTHS)
    after = world.at(BLOOD, "task")
    assert {k: v for k, v in after.items() if k != "extension"} == {k: v for k, v in before.items() if k != "extension"}
    assert "2028-01-01" in str(before["extension"]) and "2027-12-27" in str(after["extension"])


def test_a_day_put_right_after_the_move_is_judged_by_the_new_date():
    """Done on 01-25 it counts for 03-20 too (from 01-20); of 01-10 it does not, though it did for 03-01."""
    world = done(date(2028, 1, 25), date(2028, 3, 1))
    world.push(surgery=date(2028, 3, 20), changes=TWO_MONTHS)
    complete(world, BLOOD, "task", date(2028, 1, 10))
    assert said(world, date(2028, 1, 26)) == "renew"


def test_opened_again_after_the_move_it_gets_the_dates_of_the_new_one():
    world = done(date(2027, 12, 31), date(2028, 3, 1))
    world.push(surgery=date(2028, 2, 27), changes=TWO_MONTHS)
    world.edit(BLOOD, "task", status="requested", executionPeriod=None)
    world.push(surgery=date(2028, 2, 27), changes=TWO_MONTHS)
    assert world.at(BLOOD, "task")["restriction"]["period"]["end"] == "2028-02-13" and world.conflicts() == []


def test_another_version_of_the_rule_is_told_with_its_day():
    world = done(date(2027, 12, 31), date(2028, 3, 1))
    world.push(surgery=date(2028, 3, 1), changes=(("valid_for: 30 days", "valid_for: 9 weeks"),))
    assert said(world, date(2028, 1, 2)) == "done" and "2027-12-29" in str(world.at(BLOOD, "task")["extension"])
    assert "9 weeks before surgery" in str(world.at(BLOOD, "task")["extension"])
