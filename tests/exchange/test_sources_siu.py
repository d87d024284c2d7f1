"""HL7 v2 SIU messages: events, table 0278, order by message time, batches, separators, zones, identifiers."""

from __future__ import annotations

import itertools
from datetime import date

import pytest

from exchange.made_bookings import MAPPING, VISIT_TYPES, ZONE, as_message, read_text, rows
from waykeeper.exchange.sources.siu import table
from waykeeper.findings import WaykeeperError

ROW = {"words": "6 week check", "start": "2026-04-29T09:30", "status": "booked", "type": "TAR-6W"}


def message(event="S12", filler="", at="20260101080000", start="202604290930", **parts):
    said = {
        "MSH": f"MSH|^~\\&|SCHED|AQ|W|AQ|{at}||SIU^{event}^SIU_S12|{event}-{at}|P|2.5.1",
        "SCH": f"SCH|P1|F1^NS||||{event}|^6 week check||30|min|^^^{start}||||||||||||||{filler}",
        "PID": "PID|1||AQ-1^^^AQ^MR",
    } | parts
    return "\r".join(v for v in said.values() if v) + "\r"


def read(tmp_path, text, mapping=MAPPING):
    return read_text(tmp_path, "hl7", text, mapping)


# HL7 v2.5.1 chapter 10, the events of SIU; what FHIR calls it: v2-to-FHIR guide 1.0.0, map of table 0278
EVENTS = {
    "S12": "booked", "S13": "booked", "S14": "booked", "S15": "cancelled", "S16": "discontinued",
    "S17": "entered-in-error", "S18": "booked", "S26": "noshow",
}  # fmt: skip
FILLER = {
    "Pending": "pending", "Waitlist": "waitlist", "Booked": "booked", "Started": "checked-in", "Complete": "fulfilled",
    "Cancelled": "cancelled", "Deleted": "entered-in-error", "Overbook": "booked", "Noshow": "noshow",
}  # fmt: skip


@pytest.mark.parametrize("event", sorted(EVENTS))
def test_what_an_event_says(event, tmp_path):
    (one,) = read(tmp_path, message(event)).evidence
    assert (one.status, one.day) == (EVENTS[event], date(2026, 4, 29))


@pytest.mark.parametrize(("said", "types"), [
    ("TAR-6W^six weeks", ["own|TAR-6W"]),
    ("0SRG0JZ^left ankle replacement^I10P", ["own|0SRG0JZ", "pcs|0SRG0JZ"]),
    ("TAR^ankle replacement^L^0SRG0JZ^left ankle^I10P", ["own|TAR", "pcs|0SRG0JZ"]),
    ("TAR^ankle replacement^L^0SRG0JZ^left ankle^XX", ["own|TAR"]),
])  # fmt: skip
def test_a_service_names_the_published_system_of_its_code(said, types, tmp_path):
    """AIS-3 is a CE: two triplets of code, text, coding system (HL7 v2.5.1 chapters 2 and 10). I10P of table 0396 is
    ICD-10-PCS (from memory); its system in FHIR: HL7 terminology, NamingSystem icd10PCS."""
    (one,) = read(tmp_path, message(AIS=f"AIS|1|A|{said}|202604290930")).evidence
    systems = {"own": VISIT_TYPES, "pcs": "http://www.cms.gov/Medicare/Coding/ICD10"}
    assert list(one.service_types) == [f"{systems[t.partition('|')[0]]}|{t.partition('|')[2]}" for t in types]


@pytest.mark.parametrize("code", sorted(FILLER))
def test_the_filler_status_refines_a_modification(code, tmp_path):
    assert read(tmp_path, message("S14", code)).evidence[0].status == FILLER[code]
    assert read(tmp_path, message("S14", code.upper())).evidence[0].status == FILLER[code]  # as HL7 v2.9 spells them


@pytest.mark.parametrize("code", ["Dc", "Blocked", "XYZ"])
def test_a_filler_status_without_a_meaning_is_for_a_person(code, tmp_path):
    found = read(tmp_path, message("S14", code))
    assert found.evidence[0].status == code and [f.code for f in found.findings] == ["WKX404"]


def test_a_no_show_that_is_complete_contradicts_itself(tmp_path):
    found = read(tmp_path, message("S26", "Complete"))
    assert found.evidence[0].status == "unclear (noshow, fulfilled)" and [f.code for f in found.findings] == ["WKX408"]


@pytest.mark.parametrize("event", ["S23", "S24"])
def test_time_slots_are_no_bookings(event, tmp_path):
    found = read(tmp_path, message(event))
    assert (found.evidence, found.read, found.others, found.findings) == ((), 1, 1, ())


def test_another_type_of_message_is_listed(tmp_path):
    found = read(tmp_path, message().replace("SIU^S12^SIU_S12", "ADT^A01"))
    assert found.others == 1 and [f.code for f in found.findings] == ["WKX416"]


def test_an_event_that_nobody_knows_is_kept(tmp_path):
    found = read(tmp_path, message("S99"))
    assert found.evidence[0].status == "unreadable" and [f.code for f in found.findings] == ["WKX407"]


STORY = [message("S12", "Booked", "20260101080000"), message("S13", "Booked", "20260201080000", "202605200930"),
         message("S15", "Cancelled", "20260301080000", "202605200930")]  # fmt: skip


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_the_latest_message_wins_in_any_order(order, tmp_path):
    found = read(tmp_path, "".join(STORY[n] for n in order))
    assert [(e.status, e.day) for e in found.evidence] == [("cancelled", date(2026, 5, 20))] and found.superseded == 2


def test_the_latest_is_told_by_the_instant_not_by_its_digits(tmp_path):
    """23:30 at UTC-5 is later than 03:00 UTC of the next day."""
    found = read(tmp_path, message("S26", at="20260331233000-0500") + message("S12", at="20260401030000+0000"))
    assert [e.status for e in found.evidence] == ["noshow"]


def test_messages_of_several_files_are_ordered_together(tmp_path):
    from waykeeper.exchange.sources import read_bookings, read_mapping

    (tmp_path / "m.yaml").write_text(MAPPING)
    for n, text in enumerate(reversed(STORY)):
        (tmp_path / f"{n}.hl7").write_text(text)
    found = read_bookings([str(tmp_path / f"{n}.hl7") for n in range(3)], read_mapping(str(tmp_path / "m.yaml")), ZONE)
    assert [e.status for e in found.evidence] == ["cancelled"]


def test_a_message_sent_twice_is_one(tmp_path):
    found = read(tmp_path, STORY[0] + STORY[0])
    assert len(found.evidence) == 1 and found.superseded == 1 and not found.findings


def test_two_messages_of_one_moment_that_differ_are_for_a_person(tmp_path):
    found = read(tmp_path, message("S12") + message("S15"))
    assert {e.status for e in found.evidence} == {"unclear (booked, cancelled)"}
    assert [f.code for f in found.findings] == ["WKX408"]


def test_without_a_message_time_nothing_is_later(tmp_path):
    found = read(tmp_path, message("S12", at="") + message("S15"))
    assert {e.status for e in found.evidence} == {"unclear (booked, cancelled)"}


def test_line_ends_blocks_and_batches(tmp_path):
    """MLLP's block characters, lines with \\n, FHS BHS BTS FTS around (HL7 v2.5.1 chapter 2)."""
    body = (
        message().replace("\r", "\n")
        + "\x0b"
        + message("S26", at="20260501080000").replace("F1^NS", "F2^NS")
        + "\x1c\r"
    )
    batch = f"FHS|^~\\&|SCHED\rBHS|^~\\&|SCHED\r{body}BTS|2\rFTS|1\r"
    found = read(tmp_path, batch)
    assert sorted(e.status for e in found.evidence) == ["booked", "noshow"] and not found.findings


def test_a_batch_that_lacks_a_message_is_refused(tmp_path):
    with pytest.raises(WaykeeperError, match=r"WKX414 .*says 3 messages \(BTS-1\), 1 are there"):
        read(tmp_path, f"BHS|^~\\&|SCHED\r{message()}BTS|3\r")


def test_other_separators_and_escapes(tmp_path):
    """MSH-1 and MSH-2 say the separators; \\T\\ is the subcomponent separator escaped."""
    said = message().replace("6 week check", "6 week \\T\\ film").translate(str.maketrans("|^~\\&", "#*!?+"))
    (one,) = read(tmp_path, said).evidence
    assert one.text == "6 week + film" and one.day == date(2026, 4, 29) and one.patient[0].endswith("|AQ-1")


def test_latin_1_is_read_as_msh_18_says(tmp_path):
    msh = "MSH|^~\\&|SCHED|AQ|W|AQ|20260101080000||SIU^S12^SIU_S12|1|P|2.5.1||||||8859/1"
    said = message(MSH=msh).replace("6 week check", "Prüfung")
    assert read(tmp_path, said.encode("iso-8859-1")).evidence[0].text == "Prüfung"
    broken = read(tmp_path, message().replace("6 week check", "Prüfung").encode("iso-8859-1"))
    assert broken.evidence[0].status == "unreadable"


@pytest.mark.parametrize(("said", "day", "hour"), [
    ("202604290930", 29, 9), ("202604290930-0500", 29, 9), ("202604290330+0000", 28, 22), ("20260429", 29, None),
    ("2026042909", 29, 9), ("20260429093015.25", 29, 9),
])  # fmt: skip
def test_times_with_and_without_an_offset(said, day, hour, tmp_path):
    (one,) = read(tmp_path, message(start=said)).evidence
    assert (one.day, one.start.hour if one.start else None) == (date(2026, 4, day), hour)


@pytest.mark.parametrize("said", [
    "202604", "2026", "20260431", "29.04.2026", "2026042999", "99991231233000", "00010101000000+1200",
    "202604290930+9999",
])  # fmt: skip
def test_what_is_no_day_is_unreadable(said, tmp_path):
    found = read(tmp_path, message(start=said))
    assert found.evidence[0].status == "unreadable" and [f.code for f in found.findings] == ["WKX407"]


@pytest.mark.parametrize("at", ["202613010800-0600", "000001010800-0600", "202604290930+9999", "99991231233000-0800"])
def test_a_header_time_that_no_calendar_holds_orders_nothing_and_stops_nothing(at, tmp_path):
    found = read(tmp_path, message(at=at) + message("S15"))
    assert {e.status for e in found.evidence} == {"unclear (booked, cancelled)"}


def test_a_length_that_no_calendar_holds_is_no_end(tmp_path):
    (one,) = read(tmp_path, message().replace("||30|min", "||99999999999999|min")).evidence
    assert (one.status, one.day, one.end) == ("booked", date(2026, 4, 29), None)


def test_a_message_that_came_a_thousand_times_under_one_control_id_is_read_in_one_pass(tmp_path, monkeypatch):
    """A sender whose MSH-10 is constant and who says the same again and again: each was laid beside each."""
    from waykeeper.exchange.sources import settling

    seen = []
    monkeypatch.setattr(settling, "with_names", lambda one, others: seen.append(len(others)) or one)
    said = [message(at=f"202601{day:02d}{hour:02d}0000") for day in range(1, 29) for hour in range(24)]
    said = [one.replace(one.split("|")[9], "1") for one in said]
    found = read(tmp_path, "".join(said))
    assert [e.status for e in found.evidence] == ["booked"] and found.superseded == 671 and seen == [672]


def test_the_winter_offset_of_the_header_does_not_move_a_visit_in_summer(tmp_path):
    """Sent in January at UTC-6 about 00:30 in July: the visit stays on its day, in the stated zone's own time."""
    found = read(tmp_path, message(at="20260101080000-0600", start="202607010030"))
    assert found.evidence[0].day == date(2026, 7, 1) and not found.findings


def test_an_offset_that_the_zone_does_not_have_is_a_warning(tmp_path):
    found = read(tmp_path, message(at="20260101080000-0800"))
    assert [(f.code, f.severity) for f in found.findings] == [("WKX417", "warning")]


@pytest.mark.parametrize(("pid", "patients"), [
    ("PID|1||AQ-1^^^AQ^MR", ["AQ-1"]),
    ("PID|1||X-9^^^OTHER^PI~AQ-1^^^aq^MR", ["AQ-1"]),
    ("PID|1||AQ-1^^^LONG&1.2.3&ISO^MR", []),
    ("PID|1|AQ-1^^^AQ", ["AQ-1"]),  # where older senders have the number of the record (withdrawn in version 2.7)
    ("PID|1||^^^AQ|AQ-1^^^AQ", ["AQ-1"]),
    ("PID|1|AQ-2^^^AQ|AQ-1^^^AQ|AQ-3^^^AQ", ["AQ-1"]),
    ("PID|1|AQ-1|", []),
    ("PID|1||AQ-1^^^OTHER|AQ-2^^^AQ", []),
    ("PID|1||AQ-1^^^OTHER", []),
    ("PID|1||AQ-1", []),
    ("PID|1", []),
    ("", []),
])  # fmt: skip
def test_identifiers_by_their_assigning_authority(pid, patients, tmp_path):
    found = read(tmp_path, message(PID=pid))
    assert [p.partition("|")[2] for p in found.evidence[0].patient] == patients
    assert [f.code for f in found.findings] == ([] if patients else ["WKX407"])


@pytest.mark.parametrize(("pid", "patients"), [
    ("PID|1||AQ-1", ["AQ-1"]), ("PID|1|AQ-1|", ["AQ-1"]), ("PID|1||AQ-1^^^OTHER", []),
])  # fmt: skip
def test_numbers_that_nobody_gave_are_whose_the_mapping_says(pid, patients, tmp_path):
    """The remedy of such a message named an authority that it does not have: nothing could be added."""
    (told,) = read(tmp_path, message(PID="PID|1||AQ-1")).findings
    assert told.help.endswith('the message has: "" (none).')
    mapping = MAPPING.replace("{AQ:", '{"": "https://alder-quay.example/mrn", AQ:')
    found = read(tmp_path, message(PID=pid), mapping)
    assert [p.partition("|")[2] for p in found.evidence[0].patient] == patients


@pytest.mark.parametrize("pid", ["PID|1|AQ-1|", "PID|1||", "PID|1|||AQ-1"])
def test_without_authorities_only_the_list_is_the_records(pid, tmp_path):
    mapping = MAPPING.partition("hl7:")[0]
    assert read(tmp_path, message(PID="PID|1||AQ-1"), mapping).evidence[0].patient
    assert not read(tmp_path, message(PID=pid), mapping).evidence[0].patient


def test_a_control_id_that_is_always_the_same_is_told(tmp_path):
    """Booked, cancelled, booked again: the booking is unclear, and only the control id says why."""
    story = [message("S12"), message("S15", at="20260102080000"), message("S12", at="20260103080000")]
    once = [text.replace(text.split("|")[9], "1") for text in story]
    found = read(tmp_path, "".join(once))
    assert {e.status for e in found.evidence} == {"unclear (booked, cancelled)"}
    assert sorted(f.code for f in found.findings) == ["WKX408", "WKX428"]
    assert [(e.status) for e in read(tmp_path, "".join(story)).evidence] == ["booked"]
    assert not read(tmp_path, once[0] + once[1]).findings  # nothing came again


def test_an_authority_by_its_universal_id(tmp_path):
    mapping = MAPPING.replace("{AQ:", '{"1.2.3":')
    assert read(tmp_path, message(PID="PID|1||AQ-1^^^LONG&1.2.3&ISO^MR"), mapping).evidence[0].patient


def test_the_start_from_tq1_or_ais_where_sch_has_none(tmp_path):
    for segment in ("TQ1|1||||||202604290930", "AIS|1||TAR-6W|202604290930"):
        assert read(tmp_path, message(start="", TQ1=segment)).evidence[0].day == date(2026, 4, 29)


def test_segments_that_name_two_days_are_for_a_person(tmp_path):
    found = read(tmp_path, message(AIS="AIS|1||TAR-6W|202604300930"))
    assert found.evidence[0].status == "unreadable" and [f.code for f in found.findings] == ["WKX408"]


def test_the_fields_stand_where_another_library_has_them():
    """Positions and types of what is read, against the tables of hl7apy for HL7 v2.5.1: a second opinion."""
    import hl7apy

    library = hl7apy.load_library("2.5.1")
    wanted = {
        ("SCH", 1): "EI", ("SCH", 2): "EI", ("SCH", 5): "CE", ("SCH", 7): "CE", ("SCH", 8): "CE", ("SCH", 9): "NM",
        ("SCH", 10): "CE", ("SCH", 11): "TQ", ("SCH", 25): "CE", ("SCH", 26): "EI", ("SCH", 27): "EI",
        ("AIS", 3): "CE", ("AIS", 4): "TS", ("AIS", 7): "NM", ("AIS", 8): "CE", ("AIL", 3): "PL", ("AIP", 3): "XCN",
        ("PID", 3): "CX", ("TQ1", 7): "TS", ("MSH", 7): "TS", ("MSH", 9): "MSG", ("MSH", 18): "ID",
    }  # fmt: skip
    for (segment, number), kind in wanted.items():
        fields = {f[0]: f[1] for f in library.get(segment, "Segment")[1]}
        assert kind in fields[f"{segment}_{number}"], (segment, number)
    components = [c[0] for c in library.get("TQ", "Datatypes_Structs") or ()] if hasattr(library, "get") else []
    assert not components or components[3] == "TQ_4"


def test_another_library_takes_our_messages_as_legal():
    """The messages that the equal verdicts rest on parse by hl7apy's structure of SIU_S12."""
    from hl7apy.parser import parse_message

    for number, row in rows("demo-left"):
        parsed = parse_message(as_message("demo-left", number, row), find_groups=True)
        assert parsed.name == "SIU_S12" and parsed.sch.sch_2.value == f"AQ-1001-{number}"


def test_every_event_and_code_of_the_table_is_tried():
    events = {e for e, meant in table()["events"].items() if meant != "-"}
    assert events - set(EVENTS) == {"S19", "S20", "S21", "S22"}  # as S18
    assert {c.lower() for c in FILLER} == set(table()["filler"])


SECRET = "Wintergale"


@pytest.mark.parametrize(("kind", "text"), [
    ("hl7", f"MSH|^~\\&|A|B|C|D|20260101||SIU^S12|1|P|2.5||||||KLINGON\rSCH||1\rPID|||1^^^AQ||{SECRET}\r"),
    ("hl7", f"MSH|^~\\&|A|B|C|D|20260101||SIU^S12|1|P|2.5\rSCH||1|||||||||^^^soon\rPID|||1^^^XX||{SECRET}\r"),
    ("hl7", f"{SECRET}\r"),
    ("ics", f"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\n{SECRET}\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"),
    ("ics", f"BEGIN:VCALENDAR\nBEGIN:VEVENT\nSUMMARY:{SECRET}\nDTSTART:{SECRET}\nRRULE:X\nEND:VEVENT\nEND:VCALENDAR\n"),
    ("csv", f"MRN,{SECRET}\n1,2\n"),
])  # fmt: skip
def test_what_cannot_be_read_is_not_repeated(kind, text, tmp_path):
    """Other libraries' messages quote what they could not read; it may name a patient."""
    try:
        said = [f.line() for f in read_text(tmp_path, kind, text).findings]
    except WaykeeperError as error:
        said = [f.line() for f in error.findings]
    assert said and SECRET not in " ".join(said)
