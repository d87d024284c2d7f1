"""One number, several patients: what is said of one never replaces what is said of another."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from exchange.made_bookings import HEADER, MAPPING, MRN, ZONE, read_text
from waykeeper.exchange.sources import Bookings, across, unknown
from waykeeper.exchange.sources.model import Statement
from waykeeper.exchange.sources.people import by_patient
from waykeeper.findings import Position, catalogue
from waykeeper.plan.model import Evidence

TWO = "PID|1||AQ-1^^^AQ^MR\rPID|2||AQ-2^^^AQ^MR"


def message(event="S12", pid="PID|1||AQ-1^^^AQ^MR", at="20260101080000", number="F1", start="202604290930", filler=""):
    return (
        f"MSH|^~\\&|SCHED|AQ|W|AQ|{at}||SIU^{event}^SIU_S12|{event}-{at}|P|2.5.1\r"
        f"SCH||{number}||||{event}|^6 week check||30|min|^^^{start}||||||||||||||{filler}\r{pid}\r"
    )


def row(patient, state="Scheduled", day="04/29/2026", number="500", changed="2026-01-01T08:00:00-0600"):
    said = {"MRN": patient, "Day": day, "Time": "09:30 AM", "State": state, "Number": number, "Type": "TAR-6W",
            "What": "6 week check", "Changed": changed}  # fmt: skip
    return [said.get(name, "") for name in HEADER]


def table(*rows):
    out = io.StringIO()
    csv.writer(out).writerows([HEADER, *rows])
    return out.getvalue()


def event(patient, *lines, stamp="20260101T000000Z", start="20260429T143000Z"):
    mrn = f"X-MRN:{patient}" if patient else "X-A:1"
    said = ("BEGIN:VEVENT", "UID:1", f"DTSTAMP:{stamp}", f"DTSTART:{start}", mrn, *lines, "END:VEVENT")
    return "\r\n".join(said)


def calendar(*events, more="X-B:1"):
    return "\r\n".join(("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:x", more, *events, "END:VCALENDAR", ""))


def told(found):
    return sorted((" ".join(p.rpartition("|")[2] for p in e.patient), e.status) for e in found.evidence)


def codes(found):
    return [f.code for f in found.findings]


# HL7 v2.5.1 chapter 10, structure SIU_S12: the group PATIENT, which begins with PID, repeats
def test_each_patient_of_a_message_has_a_booking_of_her_own(tmp_path):
    found = read_text(tmp_path, "hl7", message(pid=TWO))
    assert told(found) == [("AQ-1", "booked"), ("AQ-2", "booked")] and not found.findings
    assert len({e.reference for e in found.evidence}) == 2


def test_another_library_has_the_patients_repeat():
    """hl7apy's tables of HL7 v2.5.1 as a second opinion: SIU_S12_PATIENT may stand any number of times."""
    import hl7apy

    groups = {part[0]: part[2] for part in hl7apy.load_library("2.5.1").get("SIU_S12", "Message")[1]}
    assert groups["SIU_S12_PATIENT"] == (0, -1)


@pytest.mark.parametrize(("event_", "filler"), [("S14", "Complete"), ("S26", ""), ("S14", "Started")])
def test_that_a_class_took_place_says_of_nobody_that_she_came(event_, filler, tmp_path):
    """As an Appointment of several patients: its state is the state of the class, not of each who was to come."""
    found = read_text(tmp_path, "hl7", message(event_, TWO, filler=filler))
    assert told(found) == [("AQ-1", "booked"), ("AQ-2", "booked")]
    assert told(read_text(tmp_path, "hl7", message("S14", filler="Complete"))) == [("AQ-1", "fulfilled")]


def test_a_class_is_cancelled_for_each(tmp_path):
    story = message(pid=TWO) + message("S15", TWO, "20260201080000")
    assert told(read_text(tmp_path, "hl7", story)) == [("AQ-1", "cancelled"), ("AQ-2", "cancelled")]


def test_two_numbers_of_one_patient_are_one_patient(tmp_path):
    pid = "PID|1||AQ-1^^^AQ^MR~9^^^NAT^NI\rPID|2||AQ-1^^^AQ^MR"
    mapping = MAPPING.replace("{AQ:", "{NAT: 'https://nat.example', AQ:")
    assert len(read_text(tmp_path, "hl7", message(pid=pid), mapping).evidence) == 1


def test_a_patient_of_a_class_whom_nobody_knows_is_kept_and_told(tmp_path):
    found = read_text(tmp_path, "hl7", message(pid=TWO.replace("AQ-2^^^AQ", "X^^^OTHER")))
    assert told(found) == [("", "booked"), ("AQ-1", "booked")] and codes(found) == ["WKX407"]


def test_one_who_is_left_out_of_a_class_that_is_told_again_needs_review(tmp_path):
    three = f"{TWO}\rPID|3||AQ-3^^^AQ^MR"
    found = read_text(tmp_path, "hl7", message(pid=three) + message("S14", TWO, "20260201080000"))
    assert told(found) == [("AQ-1", "booked"), ("AQ-2", "booked"), ("AQ-3", "unclear (booked, then left out)")]
    assert "WKX408" in codes(found)


def one_number(kind, second, day="04/29/2026"):
    """The booking of AQ-1, and a later statement with its number about AQ-2."""
    later = "2026-02-01T08:00:00-0600"
    at = f"{day[6:]}{day[:2]}{day[3:5]}"
    return {
        "csv": lambda: table(
            row("AQ-1"), row("AQ-2", {"cancelled": "Called off by clinic"}[second], day, changed=later)
        ),
        "hl7": lambda: message() + message("S15", "PID|1||AQ-2^^^AQ^MR", "20260201080000", start=f"{at}0930"),
        "ics": lambda: calendar(
            event("AQ-1"), event("AQ-2", "STATUS:CANCELLED", stamp="20260201T000000Z", start=f"{at}T143000Z")
        ),
    }[kind]()


@pytest.mark.parametrize("kind", ["csv", "hl7", "ics"])
@pytest.mark.parametrize(("day", "code"), [("04/29/2026", "WKX419"), ("05/20/2026", "WKX418")])
def test_a_number_that_two_patients_share_erases_neither(kind, day, code, tmp_path):
    found = read_text(tmp_path, kind, one_number(kind, "cancelled", day))
    assert told(found) == [("AQ-1", "booked"), ("AQ-2", "cancelled")] and codes(found) == [code]
    assert catalogue()[code].severity == {"WKX418": "error", "WKX419": "warning"}[code]
    assert len({e.reference for e in found.evidence}) == 2
    assert "AQ-" not in found.findings[0].details.replace("bookings", "")


def test_many_shared_numbers_are_told_in_few_lines(tmp_path):
    """A column that counts within a patient would tell each number otherwise."""
    rows = [row(f"AQ-{p}", number=str(n), day=f"04/{p + 10}/2026") for n in range(20) for p in (1, 2)]
    found = read_text(tmp_path, "csv", table(*rows))
    assert len(found.evidence) == 40 and codes(found) == ["WKX418"] * 6
    assert any("15 more numbers" in f.details for f in found.findings)


@pytest.mark.parametrize(("patients", "people"), [
    ([("m|1",), ("m|1", "n|9"), ("n|9",)], 1),   # joined by what they share
    ([("m|1",), ("n|9",)], 1),                   # nothing tells them apart, the number joins them
    ([("m|1",), ("m|2",)], 2),
    ([("m|1",), ("m|2",), ("n|9",)], 3),         # whom of the two it means nobody can tell
    ([("m|1",), ()], 1),
])  # fmt: skip
def test_who_is_one_patient(patients, people):
    said = [Statement(Evidence(str(n), "appointment", "booked", p), Position("f", n)) for n, p in enumerate(patients)]
    assert len(by_patient(said).people) == people


def test_a_cancellation_that_names_nobody_cancels_the_booking_of_its_number(tmp_path):
    found = read_text(tmp_path, "ics", calendar(event("AQ-1"), event("", "STATUS:CANCELLED", stamp="20260201T000000Z")))
    assert told(found) == [("AQ-1", "cancelled")] and codes(found) == ["WKX407"]


def test_an_attendance_that_names_nobody_is_nobodys(tmp_path):
    found = read_text(tmp_path, "csv", table(row("AQ-1"), row("", "Kept", changed="2026-05-01T08:00:00-0600")))
    assert told(found) == [("AQ-1", "unclear (booked, fulfilled)")] and "WKX408" in codes(found)


# iCalendar: RFC 5545 3.8.4.1, several attendees
@pytest.mark.parametrize(("wanted", "lines"), [
    ("X-MRN", ("X-MRN:AQ-2",)),
    ("ATTENDEE;X-MRN", ("ATTENDEE;X-MRN=AQ-1:mailto:a@example.org", "ATTENDEE;X-MRN=AQ-2:mailto:b@example.org")),
    ("ATTENDEE", ("ATTENDEE:mailto:AQ-1", "ATTENDEE:mailto:AQ-2", "ATTENDEE;ROLE=CHAIR:mailto:c@example.org",
                  "ATTENDEE;CUTYPE=ROOM:mailto:d@example.org")),
])  # fmt: skip
def test_several_patients_of_an_event_are_a_class(wanted, lines, tmp_path):
    mapping = MAPPING.replace("patient: X-MRN", f"patient: {wanted}")
    found = read_text(tmp_path, "ics", calendar(event("AQ-1", "X-STATE:Kept", *lines)), mapping)
    assert told(found) == [("AQ-1", "booked"), ("AQ-2", "booked")] and not found.findings


def test_that_another_patient_declined_says_nothing_of_her(tmp_path):
    lines = ("ATTENDEE;X-MRN=AQ-1:mailto:a@example.org", "ATTENDEE;X-MRN=AQ-2;PARTSTAT=DECLINED:mailto:b@example.org")
    mapping = MAPPING.replace("patient: X-MRN", "patient: ATTENDEE;X-MRN")
    found = read_text(tmp_path, "ics", calendar(event("", *lines)), mapping)
    assert told(found) == [("AQ-1", "booked"), ("AQ-2", "unclear (booked, declined)")]


AT = datetime(2026, 4, 29, 9, 30, tzinfo=ZoneInfo(ZONE))
ONE = Evidence("b.csv#1", "appointment", "booked", (f"{MRN}|AQ-1",), date(2026, 4, 29), AT, identifiers=("s|1",))
HELD = replace(ONE, reference="Appointment/1", patient=("Patient/2", f"{MRN}|AQ-2"), status="fulfilled")


def test_a_number_that_is_another_patients_on_the_server_is_another_booking():
    every, found = across([HELD], Bookings((ONE,)))
    assert every == [HELD, ONE] and [f.code for f in found] == ["WKX419"]
    later = replace(HELD, day=date(2026, 5, 20), start=AT.replace(month=5))
    assert [f.code for f in across([later], Bookings((ONE,)))[1]] == ["WKX418"]


def test_a_class_on_the_server_and_one_of_its_patients_in_the_file():
    hers = replace(HELD, patient=ONE.patient, status="booked")
    every, found = across([HELD, hers], Bookings((ONE,)))
    assert every == [HELD, hers] and not found


def test_a_booking_of_a_patient_whom_the_server_does_not_name_stays():
    somebody = replace(HELD, patient=("Patient/7",), status="booked")
    every, found = across([somebody], Bookings((ONE,)))
    assert every == [somebody, ONE] and not found


def test_a_cancellation_that_the_server_knows_the_booking_of_is_not_told():
    gone = Statement(replace(ONE, status="cancelled"), Position("b.hl7", 1), "F1", revokes=True)
    assert unknown([HELD], [gone]) == [] and [f.code for f in unknown([], [gone])] == ["WKX420"]
