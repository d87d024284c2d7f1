"""HL7 v2: the placer's and the filler's number (SCH-1, SCH-2) of one appointment, and cancellations that find none."""

from __future__ import annotations

import itertools

import pytest

from exchange.made_bookings import MAPPING, read_text
from waykeeper.exchange.sources import read_bookings, read_mapping, unknown

LATER = "20260201080000"


def message(event="S12", placer="", filler="", at="20260101080000", start="202604290930", mrn="AQ-1"):
    when = f"^^^{start}" if start else ""
    return (
        f"MSH|^~\\&|SCHED|AQ|W|AQ|{at}||SIU^{event}^SIU_S12|{event}-{at}|P|2.5.1\r"
        f"SCH|{placer}|{filler}||||{event}|^6 week check||30|min|{when}\r"
        f"PID|1||{mrn}^^^AQ^MR\r"
    )


def read(tmp_path, *messages):
    return read_text(tmp_path, "hl7", "".join(messages))


def statuses(found):
    return [e.status for e in found.evidence]


# HL7 v2.5.1 chapter 10: SCH-1 placer appointment ID, SCH-2 filler appointment ID, both EI
FOUND = {
    "both, then the filler's": (("P1", "F1"), ("", "F1")),
    "both, then the placer's": (("P1", "F1"), ("P1", "")),
    "the placer's, then both": (("P1", ""), ("P1", "F1")),
    "a namespace at first": (("", "F1^NS"), ("", "F1")),
    "a namespace later": (("", "F1"), ("", "F1^NS")),
    "a universal id": (("", "F1^^1.2.3^ISO"), ("", "F1")),
    "the placer's with its namespace": (("P1^EHR", "F1"), ("P1", "")),
}


@pytest.mark.parametrize("name", sorted(FOUND))
@pytest.mark.parametrize("turned", [False, True])
def test_a_cancellation_finds_its_booking(name, turned, tmp_path):
    booked, gone = FOUND[name]
    two = [message("S12", *booked), message("S15", *gone, at=LATER)]
    found = read(tmp_path, *(reversed(two) if turned else two))
    assert statuses(found) == ["cancelled"] and found.superseded == 1
    assert not found.findings and not found.revoked


def test_a_third_message_joins_the_two_numbers(tmp_path):
    story = [message("S12", "P1", ""), message("S14", "P1", "F1", at=LATER), message("S15", "", "F1", "20260301080000")]
    for order in itertools.permutations(story):
        assert statuses(read(tmp_path, *order)) == ["cancelled"]


def test_one_that_names_no_time_keeps_the_day_that_was_booked(tmp_path):
    """Without it the visit would look as if it had never been booked."""
    (one,) = read(tmp_path, message("S12", "", "F1"), message("S15", "", "F1", LATER, start="")).evidence
    assert (one.status, str(one.day)) == ("cancelled", "2026-04-29")


def test_a_cancellation_by_another_number_makes_the_same_hour_doubtful(tmp_path):
    found = read(tmp_path, message("S12", "P1", ""), message("S15", "", "F9", LATER))
    assert statuses(found) == ["unclear (booked, cancelled)", "cancelled"]
    assert [f.code for f in found.findings] == ["WKX408"]
    assert [f.code for f in unknown([], found.revoked)] == ["WKX420"]


@pytest.mark.parametrize("other", [{"start": "202604291030"}, {"mrn": "AQ-2"}, {"at": "20260301080000"}])
def test_another_hour_another_patient_and_a_later_booking_stand(other, tmp_path):
    """Booked again for the hour that was given up: the later message says so."""
    found = read(tmp_path, message("S12", "P1", "", **other), message("S15", "", "F9", LATER))
    assert statuses(found) == ["booked", "cancelled"] and not found.findings
    assert [s.evidence.status for s in found.revoked] == ["cancelled"]


def test_a_placers_number_of_two_bookings_is_that_of_neither(tmp_path):
    two = [message("S12", "P1", "F1"), message("S12", "P1", "F2", start="202605200930")]
    found = read(tmp_path, *two, message("S15", "P1", "", LATER, start="202606010930"))
    assert sorted(statuses(found)) == ["booked", "booked", "cancelled"]
    assert [f.code for f in found.findings] == ["WKX408"] and len(found.revoked) == 1


def test_a_placers_number_is_looked_for_among_the_patients_own(tmp_path):
    """One order, two patients, a filler's number each: whose it is tells which."""
    two = [message("S12", "P1", "F1"), message("S12", "P1", "F2", mrn="AQ-2")]
    found = read(tmp_path, *two, message("S15", "P1", "", LATER, mrn="AQ-2"))
    assert statuses(found) == ["booked", "cancelled"] and not found.findings


def test_two_namespaces_are_two_bookings(tmp_path):
    found = read(tmp_path, message("S12", "", "F1^A"), message("S15", "", "F1^B", LATER, start="202605200930"))
    assert statuses(found) == ["booked", "cancelled"]


def test_a_table_that_knows_the_booking_answers_for_the_messages(tmp_path):
    """A row of a cancelled booking is a state, not a message: it is not told as one that finds nothing."""
    (tmp_path / "b.hl7").write_text(message("S15", "", "F1", LATER))
    head = "MRN,Day,Time,Length,State,Number,Order,Type,Specialty,Place,Channel,What,Note,Changed"
    (tmp_path / "b.csv").write_text(
        f"{head}\nAQ-1,04/29/2026,09:30 AM,30,Called off by clinic,F1,,,,,,6 week check,,\n"
    )
    (tmp_path / "m.yaml").write_text(MAPPING)
    paths = [str(tmp_path / "b.hl7"), str(tmp_path / "b.csv")]
    found = read_bookings(paths, read_mapping(str(tmp_path / "m.yaml")), "America/Chicago")
    assert not found.revoked and statuses(found) == ["cancelled"]
    alone = read_bookings(paths[1:], read_mapping(str(tmp_path / "m.yaml")), "America/Chicago")
    assert not alone.revoked
