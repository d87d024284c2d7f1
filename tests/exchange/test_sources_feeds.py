"""What interfaces really send in HL7 v2: cut files, logs, escapes, series, kinds of numbers, times that order nothing.

Chapters, fields and tables: HL7 v2.5.1 chapters 2 (control), 3 (ADT) and 10 (scheduling).
"""

from __future__ import annotations

import random
from datetime import date
from functools import partial

import pytest

from exchange.made_bookings import MAPPING, read_text
from exchange.test_sources_siu import message
from waykeeper.exchange.sources.segments import Message
from waykeeper.findings import WaykeeperError

LATER = "20260201080000"


def sch(occurrence="", start="^^^202604290930", filler=""):
    return f"SCH|P1|F1^NS|{occurrence}|||S|^6 week check||30|min|{start}{'|' * 14}{filler}"


def read(tmp_path, text, mapping=MAPPING):
    return read_text(tmp_path, "hl7", text, mapping)


def statuses(found):
    return [e.status for e in found.evidence]


def codes(found):
    return [f.code for f in found.findings]


def test_a_status_in_words_alone_is_one(tmp_path):
    """SCH-25 is a CE: identifier, text. `^No show` was read as booked."""
    assert statuses(read(tmp_path, message("S14", "^Noshow"))) == ["noshow"]
    assert statuses(read(tmp_path, message("S14", "^Did not come"))) == ["Did not come"]


def test_the_appointments_of_a_series_are_apart(tmp_path):
    """SCH-3 with SCH-1 and SCH-2 names one occurrence: the cancellation of the second erased the first."""
    second = partial(sch, "2", "^^^202605060930")
    said = message(SCH=sch("1")) + message(SCH=second()) + message("S15", at=LATER, SCH=second())
    found = read(tmp_path, said)
    assert [(e.status, e.day.day) for e in found.evidence] == [("booked", 29), ("cancelled", 6)]
    assert len({e.reference for e in found.evidence}) == 2 and codes(found) == ["WKX425"]
    found = read(tmp_path, message(SCH=sch("1")) + message(SCH=second()) + message("S15", at=LATER, SCH=sch(start="")))
    assert statuses(found) == ["cancelled", "cancelled"] and len({e.reference for e in found.evidence}) == 2
    found = read(tmp_path, message(SCH=sch("1")) + message("S15", at=LATER))
    assert statuses(found) == ["cancelled"] and not found.findings


def test_a_sender_that_counts_its_messages_in_sch_3_leaves_no_earlier_time_standing(tmp_path):
    """Common practice, no source: 1 is the new appointment, 2 its move; the earlier time stood as booked."""
    moved = message("S13", at=LATER, SCH=sch("2", "^^^202605060930"))
    found = read(tmp_path, message(SCH=sch("1")) + moved)
    assert statuses(found) == ["unclear (booked, of several SCH-3)"] * 2 and codes(found) == ["WKX425", "WKX408"]
    taken = message("S15", at="20260301080000", SCH=sch("3", "^^^202605060930"))
    assert "booked" not in statuses(read(tmp_path, message(SCH=sch("1")) + moved + taken))


@pytest.mark.parametrize("kind", ["T", "D", "T^A"])
def test_a_message_for_training_needs_review(kind, tmp_path):
    """MSH-11, table 0103."""
    said = message().replace("|P|2.5.1", f"|{kind}|2.5.1")
    found = read(tmp_path, said)
    assert statuses(found) == [f"unclear (booked, {kind[0]})"] and codes(found) == ["WKX423"]
    mapping = MAPPING.replace("hl7:\n", "hl7:\n  processing: [T, D]\n")
    assert statuses(read(tmp_path, said, mapping)) == ["booked"]


def test_a_feed_of_a_test_system_is_told_in_few_lines(tmp_path):
    every = "".join(message(at=f"202601010800{n:02}").replace("F1", f"F{n}") for n in range(20)).replace("|P|2", "|T|2")
    found = read(tmp_path, every)
    assert set(statuses(found)) == {"unclear (booked, T)"} and len(found.evidence) == 20
    assert codes(found) == ["WKX423"] * 6 and "15 more messages" in found.findings[-1].line()


MERGE = "MSH|^~\\&|A|AQ|W|AQ|20260101||ADT^A40|1|{kind}|2.5\rPID|1||AQ-1^^^AQ^MR\rMRG|AQ-7^^^AQ^MR~55^^^AQ^AN\r"


def test_a_merge_joins_no_account_numbers_and_none_for_training(tmp_path):
    for number, kind, joined in (("AQ-7", "P", True), ("AQ-7", "T", False), ("55", "P", False)):
        found = read(tmp_path, MERGE.format(kind=kind) + message(PID=f"PID|1||{number}^^^AQ^MR"))
        names = {n.rpartition("|")[2] for n in found.evidence[0].patient}
        assert ("AQ-1" in names) is joined, (number, kind)


@pytest.mark.parametrize(("numbers", "patient"), [
    ("AQ-1^^^AQ^MR~AQ-2^^^AQ^AN~AQ-3^^^AQ^VN~AQ-4^^^AQ^SS", ["AQ-1"]),
    ("AQ-4^^^AQ^SS~AQ-1^^^AQ^PI", ["AQ-1"]),
    ("AQ-4^^^AQ^SS", ["AQ-4"]),
    ("AQ-1^^^AQ~AQ-2^^^AQ^DL", ["AQ-1"]),
    ("AQ-1^^^AQ^MR~AQ-9^^^AQ^MR", ["AQ-1", "AQ-9"]),
    ("AQ-2^^^AQ^AN", []),
])  # fmt: skip
def test_numbers_of_an_account_or_a_visit_are_no_patient(numbers, patient, tmp_path):
    """CX.5, table 0203: one authority gives several kinds of numbers, and they may be alike."""
    found = read(tmp_path, message(PID=f"PID|1||{numbers}"))
    assert [n.rpartition("|")[2] for n in found.evidence[0].patient] == patient
    assert codes(found) == ([] if patient else ["WKX407"])


@pytest.mark.parametrize("parts", [
    {"SCH": sch(start="^^^202604290930~^^^202605060930")},
    {"SCH": sch(start=""), "TQ1": "TQ1|1||||||202604290930\rTQ1|2||||||202605060930"},
    {"SCH": sch(start=""), "AIS": "AIS|1||A|202604290930\rAIS|2||B|202605060930"},
    {"SCH": sch(start=""), "AIL": "AIL|1||ROOM|||202604290930\rAIP|1||DOC|||202605060930"},
])  # fmt: skip
def test_a_message_that_names_several_days_is_for_a_person(parts, tmp_path):
    found = read(tmp_path, message(**parts))
    assert statuses(found) == ["unreadable"] and codes(found) == ["WKX408"]


def test_the_start_of_a_resource_where_there_is_no_other(tmp_path):
    for segment in ("AIG|1||R|||||202604290930", "AIL|1||ROOM|||202604290930", "AIP|1||DOC|||202604290930"):
        assert read(tmp_path, message(SCH=sch(start=""), AI=segment)).evidence[0].day == date(2026, 4, 29)


def test_a_service_that_is_taken_off_is_none(tmp_path):
    """AIS-2, table 0206: the type of the visit was that of the service that no longer stands."""
    services = "AIS|1|D|TAR-2W|202604150930\rAIS|2|A|TAR-6W|202604290930\rAIS|3|A|XRAY|202604290945"
    (one,) = read(tmp_path, message("S13", AIS=services)).evidence
    assert [t.rpartition("|")[2] for t in one.service_types] == ["TAR-6W", "XRAY"] and one.day == date(2026, 4, 29)


def test_what_a_later_message_leaves_unsaid_stays(tmp_path):
    for event, filler, status in (("S26", "", "noshow"), ("S14", "Complete", "fulfilled"), ("S14", "", "booked")):
        found = read(tmp_path, message() + message(event, at=LATER, SCH=sch(start="", filler=filler)))
        assert [(e.status, e.day) for e in found.evidence] == [(status, date(2026, 4, 29))]


def test_a_deleted_time_is_none_and_a_cancelled_one_is_not_revived(tmp_path):
    found = read(tmp_path, message() + message("S14", at=LATER, SCH=sch(start='""')))
    assert [(e.status, e.day) for e in found.evidence] == [("booked", None)]
    found = read(tmp_path, message("S15") + message("S14", at=LATER, SCH=sch(start="")))
    assert [(e.status, e.day) for e in found.evidence] == [("booked", None)]


@pytest.mark.parametrize(("booked", "cancelled"), [
    ("20260101080030", "202601010800"),  # to the minute
    ("20261101015000", "20261101011000"),  # in America/Chicago 01:10 comes again after 01:50
])  # fmt: skip
def test_times_that_may_stand_either_way_order_nothing(booked, cancelled, tmp_path):
    found = read(tmp_path, message(at=booked) + message("S15", at=cancelled))
    assert set(statuses(found)) == {"unclear (booked, cancelled)"}
    found = read(tmp_path, message(at=booked) + message("S15", at="202701010800"))
    assert statuses(found) == ["cancelled"]


def test_a_message_that_is_sent_again_does_not_undo_a_cancellation(tmp_path):
    """One MSH-10 and one content under a later MSH-7: sent once more, or said anew? Nobody knows."""
    first = message(at="20260101080000")
    again = first.replace("|20260101080000|", "|20260301080000|")
    found = read(tmp_path, first + message("S15", at=LATER) + again)
    assert set(statuses(found)) == {"unclear (booked, cancelled)"}
    found = read(tmp_path, first + again + message("S15", at="20260401080000"))
    assert statuses(found) == ["cancelled"]
    anew = message(at="20260301080000")  # with a control id of its own
    assert statuses(read(tmp_path, first + message("S15", at=LATER) + anew)) == ["booked"]


@pytest.mark.parametrize("cut", [
    "\x0b" + message() + "\x1c\r\x0b" + message("S14", at=LATER, filler="Noshow")[:-40],
    message().replace("F1", "F0") + message("S14", at=LATER, filler="Noshow")[:-40],
    message().replace("F1", "F0") + message("S14", at=LATER, filler="Noshow")[:-9],
])  # fmt: skip
def test_a_file_that_ends_inside_a_message(cut, tmp_path):
    """SIU_S12 has a segment RGS after the patient; a block of MLLP ends with FS."""
    found = read(tmp_path, cut)
    assert statuses(found) == ["booked", "unreadable"] and codes(found) == ["WKX407"]


def test_a_sender_that_ends_every_message_with_the_patient(tmp_path):
    """Without a line end the last was taken for cut, and its cancellation was lost; in the patient's number it is."""
    pid = "PID|1||AQ-1^^^AQ^MR||W^M"
    feed = message(PID=pid) + message("S15", at=LATER, PID=pid)
    assert statuses(read(tmp_path, feed[:-1])) == ["cancelled"]
    assert statuses(read(tmp_path, feed[: -len("^^^AQ^MR||W^M\r")])) == ["booked", "unreadable"]


@pytest.mark.parametrize("text", ["BHS|^~\\&|A\r{}", "FHS|^~\\&|A\rBHS|^~\\&|A\r{}BTS|1\r"])
def test_a_batch_without_its_end_is_told_and_read(text, tmp_path):
    found = read(tmp_path, text.format(message()))
    assert statuses(found) == ["booked"] and [(f.code, f.severity) for f in found.findings] == [("WKX414", "error")]


def test_a_file_that_lacks_a_batch_is_refused(tmp_path):
    with pytest.raises(WaykeeperError, match=r"says 2 batches \(FTS-1\), 1 are there"):
        read(tmp_path, f"FHS|^~\\&|A\rBHS|^~\\&|A\r{message()}BTS|1\rFTS|2\r")


@pytest.mark.parametrize("before", ["2026-02-01 08:00 INFO > ", " ", "\t", "\ufeff", "\ufeff\x0b"])
def test_a_message_after_what_a_log_wrote_is_not_lost(before, tmp_path):
    found = read(tmp_path, message() + before + message("S15", at=LATER))
    assert statuses(found) == ["cancelled"] and not found.findings


def test_a_line_that_is_no_segment_is_told(tmp_path):
    found = read(tmp_path, message() + "NTE|1||first\nand second\nTHE third\n" + message("S15", at=LATER))
    assert statuses(found) == ["cancelled"] and [f.severity for f in found.findings] == ["warning"]
    assert "5:1: WKX424" in found.findings[0].line() and "and 1 more" in found.findings[0].line()


def test_utf_16_and_what_does_not_say_its_separators(tmp_path):
    with pytest.raises(WaykeeperError, match=r"WKX414 .*UTF-16\. Save it as UTF-8"):
        read(tmp_path, message().encode("utf-16"))
    for header in ("MSH", "MSH|", "MSH|||||", "MSH|^^~\\&|A", "MSH|^~\\&|A"):
        found = read(tmp_path, header + "\r")
        assert statuses(found) == ["unreadable"] and codes(found) == ["WKX407"], header


def test_the_character_set_of_messages_that_name_none(tmp_path):
    said = message().replace("6 week check", "Prüfung").encode("iso-8859-1")
    found = read(tmp_path, said)
    assert statuses(found) == ["unreadable"] and "hl7.encoding" in found.findings[0].line()
    mapping = MAPPING.replace("hl7:\n", "hl7:\n  encoding: iso-8859-1\n")
    assert read(tmp_path, said, mapping).evidence[0].text == "Prüfung"


@pytest.mark.parametrize(("written", "read_as"), [
    ("a \\F\\ \\S\\ \\T\\ \\R\\ \\E\\", "a | ^ & ~ \\"), ("a\\.br\\b\\H\\c\\N\\", "a bc"),
    ("a\\X0D\\b\\X41C3BC\\", "a bAü"),
    ("a \\Zxx\\ b", "a \\Zxx\\ b"), ("a\\b c", "a\\b c"), ("a \\.spx\\ b", "a \\.spx\\ b"), ("\\Xzz\\ b", "\\Xzz\\ b"),
    ("a \\b \\T\\ c", "a \\b & c"), ("\\C2842\\b", "\\C2842\\b"),
])  # fmt: skip
def test_escapes(written, read_as, tmp_path, capfd):
    """Chapter 2, escape sequences. What is not known stays: cut away, AQ\\1 would be another patient's number AQ."""
    (one,) = read(tmp_path, message().replace("6 week check", written)).evidence
    assert one.text == read_as and "".join(capfd.readouterr()) == ""


def test_another_library_reads_the_same_fields():
    """Each component of generated messages, against the library hl7: a second opinion."""
    import hl7

    chance = random.Random(11)

    def text(marks, depth=0):
        if depth == len(marks):
            return "".join(chance.choice("abü1 ") for _ in range(chance.randrange(4)))
        return marks[depth].join(text(marks, depth + 1) for _ in range(chance.randint(1, 3)))

    for _ in range(60):
        names = [chance.choice(["PID", "AIS", "ZAB"]) for _ in range(3)]
        lines = ["MSH|^~\\&|A|B", *(f"{name}|{text('|~^&')}" for name in names)]
        ours, theirs = Message("\r".join(lines)), hl7.parse("\r".join(lines) + "\r")
        for name in {*names}:
            for at, segment in enumerate(theirs.segments(name), 1):
                for field in range(1, len(segment)):
                    for n, repetition in enumerate(segment[field], 1):
                        for c in range(1, len(repetition) + 1 if isinstance(repetition, hl7.Repetition) else 2):
                            said = theirs.extract_field(name, at, field, n, c, 1)
                            assert ours.value(name, field, c, n, at) == said.strip()


def test_a_number_of_thousands_is_read_in_one_pass():
    """One number for every patient, as where a sender numbers rooms: the time grew with the square."""
    from waykeeper.exchange.sources.model import Statement
    from waykeeper.exchange.sources.people import by_patient
    from waykeeper.findings import Position
    from waykeeper.plan.model import Evidence

    group = [
        Statement(Evidence(f"r{n}", "appointment", "booked", patient=(f"s|{n % 2000}",)), Position("f", n + 1))
        for n in range(4000)
    ]
    assert {len(person) for person in by_patient(group).people} == {2}
