"""iCalendar: what is called off of a series must not stay booked (RFC 5545 3.8.5.1, 3.8.4.4; RFC 5546 3.2.5)."""

from __future__ import annotations

import pytest

from exchange.made_bookings import MAPPING, read_text

CHICAGO = "DTSTART;TZID=America/Chicago:20260505T093000"  # 14:30 UTC; summer time
UTC = "DTSTART:20260505T143000Z"
FLOATING = "DTSTART:20260505T093000"  # of the mapping's zone, Chicago
DAY = "DTSTART;VALUE=DATE:20260505"


def event(*lines, uid="1", start=CHICAGO, mrn="X-MRN:AQ-1", seq=0, stamp="20260101T000000Z"):
    head = ("BEGIN:VEVENT", f"UID:{uid}", f"DTSTAMP:{stamp}", f"SEQUENCE:{seq}", start, mrn)
    return "\r\n".join((*head, *lines, "END:VEVENT"))


def calendar(*events, method=""):
    return "\r\n".join(("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:x", *([method] if method else []), *events,
                        "END:VCALENDAR", ""))  # fmt: skip


def read(tmp_path, *events, method=""):
    return read_text(tmp_path, "ics", calendar(*events, method=method), MAPPING)


def told(found):
    return sorted((f"{e.day:%m-%d}", e.status) for e in found.evidence)


def codes(found):
    return {f.code for f in found.findings}


WEEKLY = "RRULE:FREQ=WEEKLY;COUNT=3"  # 05-05, 05-12, 05-19
LEFT = [("05-05", "booked"), ("05-19", "booked")]

# the second occurrence (05-12), named in each way against each way of writing DTSTART
SECOND = {
    "a day": ";VALUE=DATE:20260512", "UTC": ":20260512T143000Z", "floating": ":20260512T093000",
    "its zone": ";TZID=America/Chicago:20260512T093000", "another zone": ";TZID=America/New_York:20260512T103000",
    "a zone that nobody knows": ";TZID=Nowhere/Else:20260512T093000",
}  # fmt: skip
STARTS = {"zoned": CHICAGO, "UTC": UTC, "floating": FLOATING, "all day": DAY}


@pytest.mark.parametrize("start", sorted(STARTS))
@pytest.mark.parametrize("written", sorted(SECOND))
def test_an_exception_of_any_type_takes_its_occurrence_out(written, start, tmp_path):
    found = read(tmp_path, event(WEEKLY, f"EXDATE{SECOND[written]}", start=STARTS[start]))
    assert told(found) == LEFT and not found.findings


@pytest.mark.parametrize("start", sorted(STARTS))
@pytest.mark.parametrize("written", sorted(SECOND))
def test_a_cancelled_occurrence_of_any_type_is_not_booked(written, start, tmp_path):
    off = event(f"RECURRENCE-ID{SECOND[written]}", "STATUS:CANCELLED", start=CHICAGO.replace("0505T", "0512T"), seq=1)
    found = read(tmp_path, event(WEEKLY, start=STARTS[start]), off)
    assert told(found) == [LEFT[0], ("05-12", "cancelled"), LEFT[1]] and not found.findings


def test_one_occurrence_moved_and_then_cancelled_under_another_type(tmp_path):
    moved = event(f"RECURRENCE-ID{SECOND['its zone']}", start=CHICAGO.replace("0505T", "0513T"), seq=1)
    off = event(f"RECURRENCE-ID{SECOND['a day']}", "STATUS:CANCELLED", start=CHICAGO.replace("0505T", "0513T"), seq=2)
    assert told(read(tmp_path, event(WEEKLY), moved, off)) == [LEFT[0], ("05-13", "cancelled"), LEFT[1]]


def test_an_evening_in_utc_is_its_own_local_day(tmp_path):
    """19:30 in Chicago is the next day in UTC: the day that people write is the local one."""
    late = "DTSTART:20260506T003000Z"  # 05-05 19:30
    found = read(tmp_path, event("RRULE:FREQ=DAILY;COUNT=3", "EXDATE;VALUE=DATE:20260506", start=late))
    assert told(found) == [("05-05", "booked"), ("05-07", "booked")]


def test_of_several_a_day_only_the_named_hour_is_taken_out(tmp_path):
    found = read(tmp_path, event("RRULE:FREQ=HOURLY;COUNT=3", "EXDATE:20260505T153000Z"))
    assert [f"{e.start:%H:%M}" for e in found.evidence] == ["09:30", "11:30"] and not found.findings


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=DAILY;INTERVAL=0", "INTERVAL=00;FREQ=WEEKLY", "FREQ=SECONDLY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=31", "BYMONTH=2;BYMONTHDAY=30;FREQ=HOURLY",
    ],
)  # fmt: skip
def test_a_rule_that_would_be_counted_for_ever_is_told(rule, tmp_path):
    found = read(tmp_path, event(f"RRULE:{rule}"))
    assert codes(found) == {"WKX413"} and len(found.evidence) == 1


def test_when_every_occurrence_is_taken_out_nothing_stands(tmp_path):
    found = read(tmp_path, event("RRULE:FREQ=WEEKLY;COUNT=1", "EXDATE;VALUE=DATE:20260505"))
    assert told(found) == [("05-05", "cancelled")]


@pytest.mark.parametrize("line", ["EXDATE", "RECURRENCE-ID"])
def test_an_hour_that_the_day_does_not_have_is_told(line, tmp_path):
    wrong = ";TZID=America/Chicago:20260512T113000"
    if line == "EXDATE":
        found = read(tmp_path, event(WEEKLY, f"EXDATE{wrong}"))
    else:
        found = read(tmp_path, event(WEEKLY), event(f"RECURRENCE-ID{wrong}", "STATUS:CANCELLED", seq=1))
    assert ("05-12", "unclear (booked, called off that day)") in told(found) and codes(found) == {"WKX408"}


def test_an_exception_on_another_day_changes_nothing(tmp_path):
    """Exceptions stay in a calendar after its rule was changed."""
    found = read(tmp_path, event(WEEKLY, "EXDATE;VALUE=DATE:20260513"))
    assert len(found.evidence) == 3 and not found.findings


MOVED = event("RECURRENCE-ID;TZID=America/Chicago:20260512T093000", start=CHICAGO.replace("0505T", "0513T"), seq=1)


@pytest.mark.parametrize("turned", [False, True])
def test_a_cancelled_series_takes_its_moved_occurrences_with_it(turned, tmp_path):
    two = [event(WEEKLY, "STATUS:CANCELLED", seq=3), MOVED]
    found = read(tmp_path, *(reversed(two) if turned else two))
    assert told(found) == [("05-05", "cancelled"), ("05-13", "cancelled"), ("05-19", "cancelled")]
    assert not found.findings


def test_one_that_is_told_to_stand_after_that_is_for_a_person(tmp_path):
    found = read(tmp_path, event(WEEKLY, "STATUS:CANCELLED", seq=0), MOVED)
    assert ("05-13", "unclear (booked, its series cancelled)") in told(found) and codes(found) == {"WKX408"}


def test_one_that_was_kept_before_the_series_was_cancelled_was_kept(tmp_path):
    kept = MOVED.replace("END:VEVENT", "X-STATE:Kept\r\nEND:VEVENT")
    assert ("05-13", "fulfilled") in told(read(tmp_path, event(WEEKLY, "STATUS:CANCELLED", seq=3), kept))


def test_a_cancellation_of_the_whole_need_not_repeat_the_rule(tmp_path):
    """RFC 5546 3.2.5: UID, SEQUENCE and DTSTAMP are enough; the days are those that were booked."""
    path = calendar(event(WEEKLY), MOVED) + calendar(event(seq=4), method="METHOD:CANCEL")
    found = read_text(tmp_path, "ics", path, MAPPING)
    assert told(found) == [("05-05", "cancelled"), ("05-13", "cancelled"), ("05-19", "cancelled")]
    assert not found.revoked


def test_the_series_of_another_patient_is_not_touched(tmp_path):
    other = event(WEEKLY, "STATUS:CANCELLED", mrn="X-MRN:AQ-2", seq=3)
    found = read(tmp_path, event(WEEKLY), MOVED, other)
    hers = sorted(e.status for e in found.evidence if e.patient[0].endswith("AQ-1"))
    assert hers == ["booked"] * 3 and "WKX419" in codes(found)


def test_a_cancelled_occurrence_that_names_nobody_is_that_of_the_series(tmp_path):
    off = event(f"RECURRENCE-ID{SECOND['UTC']}", "STATUS:CANCELLED", start=CHICAGO.replace("0505T", "0512T"),
                mrn="X-A:1", seq=1)  # fmt: skip
    found = read(tmp_path, event(WEEKLY), off)
    assert told(found) == [LEFT[0], ("05-12", "cancelled"), LEFT[1]]
    assert all(e.patient for e in found.evidence)


def test_this_and_all_later_ones_cancelled(tmp_path):
    """RFC 5545 3.2.13 RANGE=THISANDFUTURE."""
    off = event("RECURRENCE-ID;RANGE=THISANDFUTURE;TZID=America/Chicago:20260512T093000", "STATUS:CANCELLED",
                start=CHICAGO.replace("0505T", "0512T"), seq=1)  # fmt: skip
    found = read(tmp_path, event(WEEKLY), off)
    assert told(found) == [("05-05", "booked"), ("05-12", "cancelled"), ("05-19", "cancelled")] and not found.findings


def test_later_ones_that_are_changed_are_for_a_person(tmp_path):
    later = event("RECURRENCE-ID;RANGE=THISANDFUTURE;TZID=America/Chicago:20260512T093000",
                  start=CHICAGO.replace("0505T093", "0512T113"), seq=1)  # fmt: skip
    found = read(tmp_path, event(WEEKLY), later)
    assert [status.split(" ")[0] for _, status in told(found)] == ["booked", "unclear", "unclear"]
    assert codes(found) == {"WKX413"}


def test_a_period_of_rdate_is_its_start(tmp_path):
    """RFC 5545 3.8.5.2: RDATE may hold periods (3.3.9)."""
    found = read(tmp_path, event("RDATE;VALUE=PERIOD:20260512T143000Z/PT30M,20260519T143000Z/20260519T150000Z"))
    assert [day for day, _ in told(found)] == ["05-05", "05-12", "05-19"] and not found.findings


def test_a_cancellation_of_an_event_that_was_never_told(tmp_path):
    found = read(tmp_path, event(), method="METHOD:CANCEL")
    assert told(found) == [("05-05", "cancelled")] and len(found.revoked) == 1
    assert not read(tmp_path, event("STATUS:CANCELLED")).revoked  # the state of a calendar, not a message


def test_two_events_without_a_number_of_one_hour(tmp_path):
    """UID is required (RFC 5545 3.8.4.7); where it is missing nothing says that the two are one."""
    two = [e.replace("UID:1\r\n", "") for e in (event(), event("STATUS:CANCELLED"))]
    assert told(read(tmp_path, *two)) == [("05-05", "cancelled"), ("05-05", "unclear (booked, cancelled)")]
