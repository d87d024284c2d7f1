"""What a scheduler's Appointment says of its day and its service, as it is shown and matched. FHIR R4, Appointment."""

from datetime import UTC, date, datetime

import pytest

from waykeeper.fhir import evidence

CHICAGO = "America/Chicago"


def read(**said):
    (found,) = evidence([("Appointment/1", {"resourceType": "Appointment", "status": "booked", **said})], CHICAGO)
    return found


# FHIR R4, instant: "precise at least to the second and includes a time zone"; not every export keeps to it.
@pytest.mark.parametrize(
    ("start", "day", "moment"),
    [
        ("2026-04-30T03:30:00Z", date(2026, 4, 29), datetime(2026, 4, 30, 3, 30, tzinfo=UTC)),
        ("2026-04-29T22:30:00-05:00", date(2026, 4, 29), datetime(2026, 4, 30, 3, 30, tzinfo=UTC)),
        ("2026-04-29T23:30:00", date(2026, 4, 29), None),  # no zone: the day that is written, and no instant
        ("2026-04-29", date(2026, 4, 29), None),
        ("29 April", None, None),
        ("", None, None),
    ],
)
def test_the_day_of_a_booking_is_the_clinics(start, day, moment):
    found = read(start=start)
    assert (found.day, found.start) == (day, moment)


def test_the_text_is_what_is_said_and_nothing_for_what_is_not():
    service = [{"coding": [{"code": "1"}, {"code": "2", "display": "Wound check"}]}]
    assert read(serviceType=service, reasonCode=[{"text": "6 weeks"}]).text == "6 weeks | Wound check"
    assert read(serviceType=service, description="Follow-up").text == "Follow-up | Wound check"
    assert read().text == ""


def test_a_booking_without_an_id_is_called_by_its_place_in_what_was_read():
    nameless = ("", {"resourceType": "Appointment", "status": "booked"})
    assert [e.reference for e in evidence([nameless, nameless], CHICAGO)] == ["Appointment/#1", "Appointment/#2"]
