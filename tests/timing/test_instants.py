"""Two moments of one zone are ordered by instant, not by wall clock: Python compares the latter inside one zone."""

from datetime import date, time

from waykeeper.timing.model import Moment

ZONE = "America/Chicago"


def test_the_second_half_past_one_comes_after_the_first_quarter_to_two():
    """2026-11-01: 01:45 CDT (06:45Z) comes before 01:30 CST (07:30Z); the table of repeated hours, derived."""
    first = Moment(date(2026, 11, 1), time(1, 45), ZONE)
    second = Moment(date(2026, 11, 1), time(1, 30), ZONE, fold=1)
    assert first.utc() < second.utc()
    assert str(first.utc()) == "2026-11-01 06:45:00+00:00"
    assert str(second.utc()) == "2026-11-01 07:30:00+00:00"
