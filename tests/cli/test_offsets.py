"""A surgery day with the offset of another place is never turned into another day in silence."""

from datetime import date, time

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.timing.model import Moment
from waykeeper.verbs.inputs import moment_of, parsed

ZONE = "America/Chicago"


@pytest.mark.parametrize(
    ("text", "is_there"),
    [
        ("2026-12-31T07:30+05:30", "Wed 2026-12-30 20:00"),
        ("2026-03-18T07:30Z", "Wed 2026-03-18 02:30"),
        ("2026-03-18T07:30+00:00", "Wed 2026-03-18 02:30"),
        ("2026-03-18T07:30-06:00", "Wed 2026-03-18 08:30"),  # the winter's offset ten days after the clocks changed
        ("2026-03-08T02:30-06:00", "Sun 2026-03-08 03:30"),  # the hour that the clocks skip
    ],
)
def test_another_offset_is_refused_and_says_what_it_would_be(text, is_there):
    with pytest.raises(WaykeeperError) as refused:
        moment_of(text, ZONE, "--surgery")
    found = refused.value.findings[0]
    assert found.code == "WKC201" and f"which is {is_there} in the clinic's zone America/Chicago" in found.details
    assert "without an offset" in found.help


@pytest.mark.parametrize("text", ["2026-03-18T07:30-05:00", "2026-12-31T07:30-06:00", "2026-03-18T07:30"])
def test_the_clinics_own_offset_is_accepted(text):
    made = moment_of(text, ZONE, "--surgery")
    assert (made.day.isoformat(), made.clock) == (text[:10], time(7, 30))


def test_the_offset_says_which_of_two_hours_is_meant_where_the_clocks_go_back():
    first, second = (moment_of(f"2026-11-01T01:30{o}", ZONE, "--surgery") for o in ("-05:00", "-06:00"))
    assert first.clock == second.clock == time(1, 30) and (second.utc() - first.utc()).seconds == 3600


def test_a_day_alone_is_that_day():
    assert moment_of("2026-03-18", ZONE, "--surgery") == Moment(date(2026, 3, 18))
    assert parsed("2026-03-18T07:30+05:30", "--surgery").utcoffset() is not None
