"""iCalendar (RFC 5545): which of several events of one UID stands, zones, recurrence, what is refused."""

from __future__ import annotations

from datetime import date

import pytest

from exchange.made_bookings import MAPPING, read_text
from waykeeper.findings import WaykeeperError

PLAIN = MAPPING.replace("  status: X-STATE\n", "")


def event(*lines, uid="1", start="DTSTART:20260429T143000Z", mrn="X-MRN:AQ-1"):
    return "\r\n".join(("BEGIN:VEVENT", f"UID:{uid}", "DTSTAMP:20260101T000000Z", start, mrn, *lines, "END:VEVENT"))


def calendar(*events, more=""):
    return "\r\n".join(
        ("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:x", *([more] if more else []), *events, "END:VCALENDAR", "")
    )


def read(tmp_path, *events, mapping=MAPPING, more=""):
    return read_text(tmp_path, "ics", calendar(*events, more=more), mapping)


def only(found):
    (one,) = found.evidence
    return one


# RFC 5545 3.8.1.11 STATUS of an event; without one it stands in the calendar (common practice, no source)
@pytest.mark.parametrize(("line", "status"), [
    ("STATUS:CONFIRMED", "booked"), ("STATUS:TENTATIVE", "pending"), ("STATUS:CANCELLED", "cancelled"),
    ("X-A:1", "booked"),
    ("STATUS:confirmed", "booked"),
])  # fmt: skip
def test_status(line, status, tmp_path):
    assert only(read(tmp_path, event(line))).status == status


def test_a_status_that_events_do_not_have(tmp_path):
    """COMPLETED is a status of to-dos only (RFC 5545 3.8.1.11): it is no attendance."""
    found = read(tmp_path, event("STATUS:COMPLETED"))
    assert only(found).status == "COMPLETED" and [f.code for f in found.findings] == ["WKX404"]


def test_a_cancelled_event_that_was_kept_contradicts_itself(tmp_path):
    found = read(tmp_path, event("STATUS:CANCELLED", "X-STATE:Kept"))
    assert only(found).status == "unclear (cancelled, fulfilled)" and [f.code for f in found.findings] == ["WKX408"]


def test_the_schedulers_own_word(tmp_path):
    assert only(read(tmp_path, event("X-STATE:Kept"))).status == "fulfilled"
    found = read(tmp_path, event("X-STATE:Dunno"))
    assert only(found).status == "Dunno" and [f.code for f in found.findings] == ["WKX404"]


def test_an_attendee_who_declined_makes_it_doubtful(tmp_path):
    """PARTSTAT (RFC 5545 3.2.12)."""
    found = read(tmp_path, event("ATTENDEE;PARTSTAT=DECLINED:mailto:a@example.org"))
    assert only(found).status == "unclear (booked, declined)"


def test_method_cancel(tmp_path):
    """RFC 5546 3.2.5: a calendar of method CANCEL calls its events off."""
    assert only(read(tmp_path, event(), more="METHOD:CANCEL")).status == "cancelled"


@pytest.mark.parametrize("turned", [False, True])
def test_the_higher_sequence_wins_wherever_it_stands(turned, tmp_path):
    two = [event("SEQUENCE:1", "STATUS:CANCELLED"), event("SEQUENCE:0", "STATUS:CONFIRMED")]
    found = read(tmp_path, *(reversed(two) if turned else two))
    assert only(found).status == "cancelled" and found.superseded == 1 and not found.findings


def test_of_one_sequence_the_later_stamp_wins(tmp_path):
    later = event("STATUS:CANCELLED").replace("DTSTAMP:2026", "DTSTAMP:2027")
    assert only(read(tmp_path, later, event())).status == "cancelled"


def test_two_of_one_sequence_and_stamp_are_for_a_person(tmp_path):
    found = read(tmp_path, event("STATUS:CANCELLED"), event())
    assert {e.status for e in found.evidence} == {"unclear (booked, cancelled)"}


ZONED = "\r\n".join((
    "BEGIN:VTIMEZONE", "TZID:Clinic", "BEGIN:STANDARD", "DTSTART:20250101T000000", "TZOFFSETFROM:-0700",
    "TZOFFSETTO:-0700", "END:STANDARD", "END:VTIMEZONE",
))  # fmt: skip


@pytest.mark.parametrize(("start", "more", "day", "hour"), [
    ("DTSTART:20260429T093000", "", 29, 9),                          # floating: the stated zone
    ("DTSTART:20260430T033000Z", "", 29, 22),                        # UTC
    ("DTSTART;TZID=America/New_York:20260429T003000", "", 28, 23),   # its own zone
    ("DTSTART;TZID=Central Standard Time:20260429T093000", "", 29, 9),  # a name that Windows writes
    ("DTSTART;TZID=Clinic:20260429T233000", ZONED, 30, 1),           # a zone that the file defines
    ("DTSTART;VALUE=DATE:20260429", "", 29, None),                   # all day
])  # fmt: skip
def test_zones(start, more, day, hour, tmp_path):
    one = only(read(tmp_path, event(start=start), more=more))
    assert (one.day, one.start.hour if one.start else None) == (date(2026, 4, day), hour)


def test_a_zone_that_nobody_knows_gives_no_instant(tmp_path):
    found = read(tmp_path, event(start="DTSTART;TZID=Mars/Olympus:20260429T093000"))
    assert only(found).status == "unreadable" and [f.code for f in found.findings] == ["WKX402"]


def test_a_start_that_cannot_be_read(tmp_path):
    found = read(tmp_path, event(start="DTSTART:soon"))
    assert only(found).status == "unreadable" and {f.code for f in found.findings} == {"WKX407"}


def test_length_from_end_or_duration(tmp_path):
    assert only(read(tmp_path, event("DTEND:20260429T150000Z"))).minutes == 30
    assert only(read(tmp_path, event("DURATION:PT45M"))).minutes == 45


@pytest.mark.parametrize(("wanted", "line", "patient"), [
    ("ATTENDEE", "ATTENDEE:mailto:AQ-1@example.org", "AQ-1@example.org"),
    ("ATTENDEE;X-MRN", "ATTENDEE;X-MRN=AQ-1:mailto:a@example.org", "AQ-1"),
])  # fmt: skip
def test_the_patient_from_the_stated_property(wanted, line, patient, tmp_path):
    one = only(
        read(tmp_path, event(line, mrn="X-A:1"), mapping=MAPPING.replace("patient: X-MRN", f"patient: {wanted}"))
    )
    assert one.patient[0].partition("|")[2] == patient


def test_an_event_without_a_patient_is_kept(tmp_path):
    found = read(tmp_path, event(mrn="X-A:1"))
    assert only(found).patient == () and [f.code for f in found.findings] == ["WKX407"]


LOCAL = "DTSTART;TZID=America/Chicago:20261018T093000"


def days(found):
    return [f"{e.day:%m-%d} {e.start:%H:%M}" for e in found.evidence]


def test_a_series_keeps_its_wall_time_across_the_change_of_clocks(tmp_path):
    """RFC 5545 3.3.10: rules count in local time; the clocks go back on 2026-11-01 in Chicago."""
    found = read(tmp_path, event("RRULE:FREQ=WEEKLY;COUNT=4", start=LOCAL))
    assert days(found) == ["10-18 09:30", "10-25 09:30", "11-01 09:30", "11-08 09:30"]


def test_until_is_utc_and_exceptions_are_left_out(tmp_path):
    """RFC 5545 3.3.10 (UNTIL in UTC), 3.8.5.1 (EXDATE), 3.8.5.2 (RDATE)."""
    lines = ("RRULE:FREQ=WEEKLY;UNTIL=20261101T153000Z", "EXDATE;TZID=America/Chicago:20261025T093000",
             "RDATE;TZID=America/Chicago:20261022T100000")  # fmt: skip
    assert days(read(tmp_path, event(*lines, start=LOCAL))) == ["10-18 09:30", "10-22 10:00", "11-01 09:30"]


def test_one_occurrence_moved_and_one_cancelled(tmp_path):
    """RFC 5545 3.8.4.4: RECURRENCE-ID names the occurrence that an event stands for."""
    moved = event("RECURRENCE-ID;TZID=America/Chicago:20261025T093000", start="DTSTART:20261026T150000Z")
    off = event("RECURRENCE-ID;TZID=America/Chicago:20261101T093000", "STATUS:CANCELLED",
                start="DTSTART;TZID=America/Chicago:20261101T093000")  # fmt: skip
    found = read(tmp_path, event("RRULE:FREQ=WEEKLY;COUNT=3", start=LOCAL), moved, off)
    assert sorted((f"{e.day:%m-%d}", e.status) for e in found.evidence) == [
        ("10-18", "booked"), ("10-26", "booked"), ("11-01", "cancelled"),
    ]  # fmt: skip
    assert len({e.reference for e in found.evidence}) == 3


@pytest.mark.parametrize("rule", ["FREQ=WEEKLY", "FREQ=DAILY;COUNT=4000"])
def test_a_series_without_end_is_kept_once_for_a_person(rule, tmp_path):
    found = read(tmp_path, event(f"RRULE:{rule}", start=LOCAL))
    assert only(found).status == "unclear (booked, repeated)" and [f.code for f in found.findings] == ["WKX413"]


def test_this_and_future_is_for_a_person(tmp_path):
    later = event(
        "RECURRENCE-ID;RANGE=THISANDFUTURE;TZID=America/Chicago:20261025T093000", start="DTSTART:20261026T150000Z"
    )
    found = read(tmp_path, event("RRULE:FREQ=WEEKLY;COUNT=3", start=LOCAL), later)
    assert "WKX413" in {f.code for f in found.findings}
    assert any(e.status.startswith("unclear") for e in found.evidence)


@pytest.mark.parametrize(
    "text", ["", "hello", "BEGIN:VCALENDAR", "BEGIN:VEVENT\r\nEND:VEVENT\r\n", "BEGIN:VTODO\r\nEND:VTODO\r\n"]
)
def test_what_is_no_calendar_is_refused(text, tmp_path):
    with pytest.raises(WaykeeperError, match="WKX412"):
        read_text(tmp_path, "ics", text)


def test_folded_lines_are_joined(tmp_path):
    """RFC 5545 3.1: a long line is folded with CRLF and a space."""
    assert only(read(tmp_path, event("SUMMARY:6 week\r\n  check"))).text == "6 week check"


# calendars that are put together, and what somebody asks or wishes

NINE = """BEGIN:VTIMEZONE
TZID:Customized
BEGIN:STANDARD
DTSTART:19700101T000000
TZOFFSETFROM:{0}
TZOFFSETTO:{0}
END:STANDARD
END:VTIMEZONE""".replace("\n", "\r\n")


def test_each_calendar_has_the_zones_that_it_defines_itself(tmp_path):
    """Two calendars of one file call different rules the same (RFC 5545 3.6.5): the first gave the second its day."""
    at = "DTSTART;TZID=Customized:20260429T013000"
    said = calendar(NINE.format("+0900"), event(start=at)) + calendar(NINE.format("-0500"), event(start=at, uid="2"))
    assert [e.day.day for e in read_text(tmp_path, "ics", said).evidence] == [28, 29]


@pytest.mark.parametrize("method", ["COUNTER", "DECLINECOUNTER", "REFRESH", "REPLY"])
def test_a_wish_for_another_time_moves_nothing(method, tmp_path):
    """RFC 5546 3.2.3 and 3.2.6 to 3.2.8: they are of somebody who takes part, not of who leads."""
    wish = event("SEQUENCE:1", "ATTENDEE;PARTSTAT=ACCEPTED:mailto:a@b.example", start="DTSTART:20260501T143000Z")
    found = read_text(tmp_path, "ics", calendar(event()) + calendar(wish, more=f"METHOD:{method}"))
    assert (only(found).day.day, found.read, found.others) == (29, 2, 1)
    assert [(f.code, f.position.line) for f in found.findings] == [("WKX416", 15)]


def test_an_answer_that_declines_needs_review(tmp_path):
    answer = event("ATTENDEE;PARTSTAT=DECLINED:mailto:a@b.example").replace("DTSTAMP:20260101", "DTSTAMP:20260102")
    found = read_text(tmp_path, "ics", calendar(event()) + calendar(answer, more="METHOD:REPLY"))
    assert only(found).status == "unclear (booked, declined)"


def test_other_entries_than_events_are_told(tmp_path):
    task = "BEGIN:VTODO\r\nUID:9\r\nSUMMARY:x\r\nEND:VTODO"
    found = read(tmp_path, event(), task, task)
    assert (found.read, found.others, len(found.evidence)) == (3, 2, 1)
    assert "2 of VTODO, which are no events" in found.findings[0].line()


def test_a_calendar_that_is_cut_off_beside_a_whole_one_is_refused(tmp_path):
    with pytest.raises(WaykeeperError, match="2 calendars begin and 1 end"):
        read_text(tmp_path, "ics", calendar(event()) + "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n")


def test_a_line_folded_inside_a_letter_is_read(tmp_path):
    """RFC 5545 3.1: a simple sender may fold between the octets of one letter."""
    said = calendar(event("SUMMARY:Prüfung")).encode().replace(b"\xc3\xbc", b"\xc3\r\n \xbc")
    assert only(read_text(tmp_path, "ics", said)).text == "Prüfung"


@pytest.mark.parametrize(("lines", "status"), [
    (("STATUS:CONFIRMED", "STATUS:CANCELLED"), "unclear (cancelled, booked)"),
    (("X-STATE:Scheduled", "X-STATE:No show"), "unclear (noshow, booked)"),
    (("STATUS:CONFIRMED", "STATUS:confirmed"), "booked"),
])  # fmt: skip
def test_two_states_of_one_event_contradict_each_other(lines, status, tmp_path):
    """RFC 5545 3.6.1: STATUS at most once. The first was taken."""
    found = read(tmp_path, event(*lines))
    assert only(found).status == status and len(found.findings) == (status != "booked")


def test_exrule_is_not_read_and_a_day_ends_a_series_with_itself(tmp_path):
    weekly = "RRULE:FREQ=WEEKLY;UNTIL=20260513"
    assert [e.day.day for e in read(tmp_path, event(weekly)).evidence] == [29, 6, 13]  # inclusive: RFC 5545 3.3.10
    found = read(tmp_path, event(weekly, "EXRULE:FREQ=WEEKLY;COUNT=2"))
    assert only(found).status == "unclear (booked, repeated)" and [f.code for f in found.findings] == ["WKX413"]


@pytest.mark.parametrize("number", ["--5", "9" * 5000], ids=["two signs", "too long"])
def test_a_sequence_that_is_no_number_counts_as_none(number, tmp_path):
    assert only(read(tmp_path, event(f"SEQUENCE:{number}"))).day == date(2026, 4, 29)


@pytest.mark.parametrize("edge", ["DTSTART:00010101T000000Z", "DTSTART:99991231T000000Z\r\nDURATION:P2D"])
def test_a_time_at_the_edge_of_the_calendar_is_no_failure_of_ours(edge, tmp_path):
    assert len(read(tmp_path, event(start=edge)).evidence) == 1


def test_a_zone_that_is_a_folder_of_zones_is_told(tmp_path):
    with pytest.raises(WaykeeperError, match="WKX412"):
        read(tmp_path, event(start="DTSTART;TZID=America:20260505T093000"))
