"""The sheet on the very day: what is today is still to come, and the signs of both times stand beside the operation."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from report.builder import SURGERY, plan
from waykeeper.plan.model import Evidence, Key, State
from waykeeper.report.selection import select
from waykeeper.report.sheet import sheet_html

VISIT = Key("visit", "two-week")
TARGET = SURGERY + timedelta(days=14)
CHICAGO = ZoneInfo("America/Chicago")


def entry(as_of, booking=None):
    bookings = {VISIT: booking} if booking else None
    found = select(plan(), State(), as_of=as_of, language="en", bookings=bookings)
    return next(e for e in found.entries if e.key == VISIT)


def booked(day):
    start = datetime.combine(day, time(9), CHICAGO)
    return Evidence("Appointment/1", "appointment", "booked", day=day, start=start)


@pytest.mark.parametrize(("days", "first"), [(-1, TARGET), (0, TARGET), (1, None)])
def test_a_visit_that_is_not_booked_stands_on_its_day_until_that_day_is_over(days, first):
    found = entry(TARGET + timedelta(days))
    assert found.start is not None
    assert (found.start.day == TARGET) is (first == TARGET)


@pytest.mark.parametrize(("days", "place"), [(0, "day"), (-1, "day"), (1, "past")])
def test_a_booking_of_today_is_still_to_come(days, place):
    assert entry(TARGET + timedelta(days), booked(TARGET)).place == place


@pytest.mark.parametrize(("days", "before"), [(-3, True), (0, True), (1, True), (2, False)])
def test_the_signs_of_the_time_before_surgery_stand_until_the_day_after_it(days, before):
    html = sheet_html(plan(), State(), as_of=SURGERY + timedelta(days), language="en", checked_against=None)
    assert ("Before surgery: call us now" in html) is before
