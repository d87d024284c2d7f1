"""A time over which the clocks jump is written as the time they show then, and compile says so (RFC 5545 3.3.5).

In America/Chicago 02:00 to 03:00 of Sunday 2026-03-08 does not exist (IANA time zone data).
"""

from datetime import date, time

import pytest

from merge.small import WASH, compiled, new_identifier

SPRING = date(2026, 3, 8)
POINT = ("at: {evening: 1 day before surgery,", "at: {evening: 1 day before surgery 02:30,")
SERIES = ("at: within 14 days after surgery", "at: every day 02:30 within 14 days after surgery")


def noticed(surgery, *changes):
    made = compiled(new_identifier(), surgery, changes=changes, clock=time(7, 30))
    return made, [f for f in made.findings if f.code == "WKT202"]


@pytest.mark.parametrize(("surgery", "change"), [(date(2026, 3, 9), POINT), (date(2026, 3, 2), SERIES)])
def test_compile_says_that_a_time_does_not_exist(surgery, change):
    _, said = noticed(surgery, change)
    assert [f.details for f in said] == [
        "02:30 does not exist on 2026-03-08 in America/Chicago; read as 2026-03-08T03:30:00-05:00"
    ]


@pytest.mark.parametrize("surgery", [date(2026, 3, 17), date(2026, 11, 2)])
def test_a_time_that_exists_once_or_twice_is_none(surgery):
    assert noticed(surgery, POINT)[1] == []


def test_the_time_that_is_written_is_that_of_its_instant():
    made, _ = noticed(date(2026, 3, 9), POINT)
    at = made.item(WASH).dates.at
    assert (at.day, at.clock) == (SPRING, time(3, 30))
