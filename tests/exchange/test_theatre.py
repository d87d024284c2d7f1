"""A theatre list as clinics export it, laid beside the plans."""

from __future__ import annotations

from datetime import date, time

import orjson
import pytest

from waykeeper import verbs
from waykeeper.exchange.sources.table import called_off, crossed_out
from waykeeper.exchange.theatre import clock, headings, read_theatre_list, shared
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.library import folder

MRN = "https://alder-quay.example/mrn"
ZONE = "America/Chicago"
PLAN = str(folder("sandbox_bundles") / "demo-left" / "plan.bundle.json")


def read(tmp_path, text, name="list.csv"):
    file = tmp_path / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_theatre_list(str(file), [MRN], ZONE)


@pytest.mark.parametrize("text", [
    "Date,MRN,Surgeon\n2026-03-18,AQ-1001,Dr. Amsel\n",
    "\ufeffSurgery date;Patient ID;Primary surgeon\r\n2026-03-18;AQ-1001;Dr. Amsel\r\n\r\n",
    "day\tpatient\toperator\tanything\n2026-03-18T07:30\tAQ-1001\tDr. Amsel\tx\n",
    'Date,MRN,Surgeon\n2026-03-18,"AQ-1001","Dr. Amsel"\n',
    f"Date,MRN,Surgeon\n2026-03-18,{MRN}|AQ-1001,Dr. Amsel\n",
])  # fmt: skip
def test_headings_and_separators_as_clinics_write_them(tmp_path, text):
    found = read(tmp_path, text)
    assert [(c.day, c.patient, c.surgeon) for c in found.cases] == [
        (date(2026, 3, 18), (f"{MRN}|AQ-1001",), "Dr. Amsel")
    ]
    assert (found.start, found.end) == (date(2026, 3, 18), date(2026, 3, 18))


def test_fhir_appointments_that_stand_are_the_list(tmp_path):
    def appointment(number, status, start):
        who = {"reference": f"Patient/{number}", "display": "Ada Quill"}
        surgeon = {"reference": "Practitioner/3", "display": "Dr. Amsel"}
        return {"resourceType": "Appointment", "id": str(number), "status": status, "start": start,
                "participant": [{"actor": who}, {"actor": surgeon}]}  # fmt: skip

    lines = [appointment(1, "booked", "2026-03-19T02:00:00Z"), appointment(2, "cancelled", "2026-03-20T14:00:00Z"),
             appointment(4, "booked", "2026-03-20T05:00:00Z")]  # fmt: skip
    found = read(tmp_path, b"\n".join(map(orjson.dumps, lines)), "list.ndjson")
    assert [(c.reference, c.day, c.start, c.name, c.surgeon) for c in found.cases] == [
        # 21:00 of the day before, in the clinic; and its midnight, which is a day without an hour
        ("Appointment/1", date(2026, 3, 18), time(21), "Ada Quill", "Dr. Amsel"),
        ("Appointment/4", date(2026, 3, 20), None, "Ada Quill", "Dr. Amsel"),
    ]


def test_all_that_is_wrong_is_said_at_once_with_its_line(tmp_path):
    with pytest.raises(WaykeeperError) as raised:
        read(tmp_path, "Date,MRN\n03/04/2026,AQ-1\n2026-03-18,\n2026-03-18,AQ-2\n")
    assert [(f.code, f.position.line) for f in raised.value.findings] == [("WKX451", 2), ("WKX451", 3)]


def test_a_number_of_two_systems_is_never_guessed(tmp_path):
    file = tmp_path / "list.csv"
    file.write_text("Date,MRN\n2026-03-18,7\n")
    found = read_theatre_list(str(file), ["https://a.example", "https://b.example"], ZONE)
    both = ["https://a.example|7", "https://b.example|7"]
    assert [f.code for f in shared(found, both, str(file))] == ["WKX452"]
    assert shared(found, both[:1], str(file)) == ()


def test_no_heading_stands_for_two_columns():
    assert len(headings()) == len({(name, column) for name, column in headings().items()})
    assert {"day", "patient", "surgeon", "side"} <= set(headings().values())


def reported(tmp_path, text, **more):
    (tmp_path / "list.csv").write_text(text)
    return verbs.gaps(PLAN, as_of="2026-03-10", theatre_list=str(tmp_path / "list.csv"), **more)


@pytest.mark.parametrize(("rows", "verdict"), [
    ("2026-03-18,AQ-1001,left\n", "current"),
    ("2026-03-25,AQ-1001,left\n", "date-differs"),
    ("2026-03-18,AQ-1001,RIGHT\n", "needs-review"),
    ("2026-03-17,AQ-9,left\n2026-03-19,AQ-9,left\n", "no-case"),
    ("2026-03-16,AQ-9,left\n2026-03-17,AQ-9,left\n", "current"),
])  # fmt: skip
def test_the_plan_beside_the_list(tmp_path, rows, verdict):
    """Surgery Wed 2026-03-18, left. A list that does not cover the day says nothing about it."""
    found = reported(tmp_path, "Date,MRN,Side\n" + rows)
    own = next(r for r in found.worklist.rows if r.item == "plan/plan")
    assert own.verdict == verdict
    strangers = [r for r in found.worklist.gaps if r.verdict == "no-plan"]
    assert len(strangers) == rows.count("AQ-9")
    if verdict in ("date-differs", "needs-review"):
        assert found.worklist.gaps[0].item == "plan/plan"


@pytest.mark.parametrize(("row", "verdict", "said"), [
    ("2026-03-18,AQ-1001,07:30,Spinal", "current", ""),
    ("2026-03-18,AQ-1001,7.30,unknown yet", "current", ""),
    ("2026-03-18T00:00:00,AQ-1001,,", "current", ""),
    ("2026-03-18T00:00:00-05:00,AQ-1001,,", "current", ""),
    ("2026-03-18,AQ-1001,0.25,", "current", ""),
    ("2026-03-18,AQ-1001,1:00,", "needs-review", "The theatre list says 13:00, the plan says 07:30"),
    ("2026-03-18,AQ-1001,05:45,", "needs-review", "The theatre list says 05:45, the plan says 07:30"),
    ("2026-03-18,AQ-1001,first on the list,", "current", ""),
    ("2026-03-18,AQ-1001,1:00 PM,", "needs-review", "The theatre list says 13:00, the plan says 07:30"),
    ("2026-03-18T06:45,AQ-1001,,", "needs-review", "The theatre list says 06:45, the plan says 07:30"),
    ("2026-03-18T11:00:00Z,AQ-1001,,", "needs-review", "The theatre list says 06:00, the plan says 07:30"),
    ("2026-03-19,AQ-1001,13:00,", "date-differs", "Thu 2026-03-19"),
    ("2026-03-18,AQ-1001,07:30,General anesthesia", "needs-review", "General anesthesia, the plan was made for spinal"),
    ("2026-03-18,AQ-1001,07:30,GA + SAB", "current", ""),
])  # fmt: skip
def test_the_hour_and_the_anaesthetic_of_the_list_beside_the_plan(tmp_path, row, verdict, said):
    """Fasting hangs on the hour, pauses of blood thinners on the needle: ASA fasting guideline 2023, ASRA 2018 (from
    memory). That side, time and anaesthetic of list and plan must agree: common practice, no source.
    """
    spinal = verbs.compile("total-ankle-replacement", clinic="clinic-demo", patient="demo-left", side="left",
                           surgery="2026-03-18T07:30", anaesthesia="spinal")  # fmt: skip
    (tmp_path / "plan.json").write_bytes(orjson.dumps(spinal.bundle))
    (tmp_path / "list.csv").write_text(f"Date,MRN,Start time,Anesthesia type\n{row}\n")
    found = verbs.gaps(str(tmp_path / "plan.json"), as_of="2026-03-10", theatre_list=str(tmp_path / "list.csv"))
    own = next(r for r in found.worklist.rows if r.item == "plan/plan")
    assert own.verdict == verdict
    assert said in own.reason


@pytest.mark.parametrize(("cells", "start", "anaesthesia"), [
    ("07:30,08:15,Dr. Brook,Spinal", time(7, 30), "Dr. Brook / Spinal"),
    ("TBC,08:15,GA,", time(8, 15), "GA"),
    (",,,", None, ""),
])  # fmt: skip
def test_a_list_may_have_several_columns_of_hours_and_anaesthetics(tmp_path, cells, start, anaesthesia):
    """A scheduled and a real start, a name and a kind: common practice, no source."""
    found = read(tmp_path, f"Date,MRN,Scheduled time,Start time,Anesthesia,Anesthesia type\n2026-03-18,1,{cells}\n")
    assert [(c.start, c.anaesthesia) for c in found.cases] == [(start, anaesthesia)]


def test_filters_narrow_what_is_shown_and_never_the_whole(tmp_path):
    found = reported(tmp_path, "Date,MRN,Surgeon\n2026-03-18,AQ-1001,Dr. Amsel\n2026-03-19,AQ-9,Dr. Brook\n",
                     surgeon="dr. brook")  # fmt: skip
    assert {r.surgeon for r in found.worklist.rows} == {"Dr. Brook"}
    assert {r.surgeon for r in found.whole.rows} == {"Dr. Amsel", "Dr. Brook"}
    assert found.worklist.narrowed == f"only surgeon dr. brook: 1 of {len(found.whole.gaps)} gaps"
    assert found.worklist.asked == {"surgeon": "dr. brook"}


@pytest.mark.parametrize("word", ["Cancelled", "CANCELED by patient", "Postponed", "No show", "did not attend"])
def test_an_operation_that_is_listed_as_called_off_is_none(word, tmp_path):
    found = read(tmp_path, f"Date,MRN,Status\n2026-03-18,AQ-1,{word}\n2026-03-19,AQ-2,Scheduled\n2026-03-20,AQ-3,\n")
    assert [c.day.day for c in found.cases] == [19, 20]
    assert found.start == date(2026, 3, 18)  # a list that names the day covers it


@pytest.mark.parametrize(("written", "day"), [
    ("2026-03-19T01:30:00Z", 18), ("2026-03-19 01:30+00", 18), ("2026-03-19T01:30-05:00", 19), ("2026-03-19 7:30", 19),
    ("2026-03-191", None), ("2026-03-19x", None),
])  # fmt: skip
def test_the_day_of_a_time_with_an_offset_is_the_clinics(written, day, tmp_path):
    if day is None:
        with pytest.raises(WaykeeperError, match="WKX451"):
            read(tmp_path, f"Date,MRN\n{written},AQ-1\n")
        return
    assert [c.day.day for c in read(tmp_path, f"Date,MRN\n{written},AQ-1\n").cases] == [day]


def test_a_number_that_became_a_quantity_is_refused(tmp_path):
    with pytest.raises(WaykeeperError, match=r"2:1: WKX451 .*a spreadsheet has changed it"):
        read(tmp_path, "Date,MRN\n2026-03-19,1.2E+10\n")


@pytest.mark.parametrize(("written", "hour"), [
    ("0730", "07:30"), ("730", "07:30"), ("7.30am", "07:30"), ("7:30 a.m.", "07:30"), ("7h30", "07:30"),
    ("0730h", "07:30"), ("07:30 hrs", "07:30"), ("13.00 Uhr", "13:00"), ("@0900", "09:00"), ("~1400", "14:00"),
    ("1pm", "13:00"),
    ("noon", "12:00"), ("2:15", "14:15"), ("0.3125", "07:30"), ("0.5", "12:00"), ("0730-0900", "07:30"),
    ("13:00 \u2013 15:00", "13:00"), ("07:30 to 09:00", "07:30"), ("1:00-3:00 PM", "13:00"), ("11:00-1:00 PM", "11:00"),
    ("8:00-9:30 PM", "20:00"), ("07:30-05:00", None), ("12:30Z", None), ("TBC", None), ("first", None), ("8-10", None),
    ("2400", None), ("25:00", None), ("00:00", None), ("after 0730", None), ("14:00 (was 07:30)", None), ("0.25", None),
    ("12am", None),
])  # fmt: skip
def test_hours_as_lists_write_them(written, hour):
    """How lists write: common practice, no source. A time of a spreadsheet is a part of a day (ECMA-376, 18.17.4.2)."""
    assert clock(written) == (time.fromisoformat(hour) if hour else None)


@pytest.mark.parametrize(("hour", "severity"), [
    ("07:30", 0), ("AM", 0), ("7:45", 1), ("07:20", 1), ("07:14", 3), ("08:30", 3), ("PM", 3), ("afternoon list", 3),
])  # fmt: skip
def test_an_hour_that_differs_by_minutes_asks_less_than_one_by_hours(tmp_path, hour, severity):
    """That a list shifts by a quarter of an hour is common practice, no source. The plan's surgery is at 07:30."""
    found = reported(tmp_path, f"Date,MRN,Time\n2026-03-18,AQ-1001,{hour}\n")
    own = next(r for r in found.worklist.rows if r.item == "plan/plan")
    assert (own.severity, own.gap, own.first) == (severity, severity > 0, severity == 3)


@pytest.mark.parametrize(("header", "cells", "told"), [
    ("Time", "TBC", "hours that cannot be read are not compared: 'TBC'"),
    ("Side", "?", "sides that cannot be read are not compared: '?'"),
    ("Anaesthetic", "block", "of which it is not known whether a needle is possible are not compared: 'block'"),
    ("Status", "Suspended", "whose state is not known count as taking place: 'Suspended'"),
    ("Time in", "07:30", "columns that are not read, and the list has no other of their kind: 'Time in'"),
    ("Status", "Not proceeding", "whose state is not known count as taking place: 'Not proceeding'"),
    ("Status", "No longer required", "count as taking place"), ("Status", "Rescheduled", "count as taking place"),
    ("Status", "Not cancelled", ""), ("Status", "Not started", ""), ("Status", "Pre-booked", ""),
    ("Time", "PM", ""), ("Status", "Confirmed", ""), ("Anaesthetic", "", ""), ("Time", "00:00", ""), ("Ward", "7", ""),
])  # fmt: skip
def test_what_cannot_be_laid_beside_the_plan_is_told(tmp_path, header, cells, told):
    """What a report passes over in silence is taken for agreement. Of strangers nothing is told: they have no plan."""
    found = reported(tmp_path, f"Date,MRN,{header}\n2026-03-18,AQ-1001,{cells}\n")
    assert [f.details for f in found.findings if f.code == "WKX453"] == [f.details for f in found.findings]
    assert [told in f.details for f in found.findings] == [True] * bool(told)
    assert found.whole.lacking == ()
    assert found.whole.unlike == tuple(f"{tmp_path / 'list.csv'}: {f.details}" for f in found.findings)
    if header in ("Time", "Side"):
        stranger = reported(tmp_path, f"Date,MRN,{header}\n2026-03-18,AQ-9,{cells}\n")
        assert stranger.findings == ()


@pytest.mark.parametrize(("said", "off"), [
    ("Cancelled", True), ("canceled by pt", True), ("Pt cancelled", True), ("Case cancelled - unfit", True),
    ("CNX", True), ("Cx by patient", True), ("DNA", True), ("removed from list", True), ("postponed to May", True),
    ("PATIENT_CANCELLED", True), ("WithdrawnByClinic", True), ("EnteredInError", True), ("NOT_CANCELLED", False),
    ("not cancelled", False), ("No cancellation", False), ("rebooked (was cancelled)", False), ("Confirmed", False),
    ("", False), ("no-show", True), ("crossed out", True), ("Removed", True), ("Postponed from theatre 2", True),
    ("Cancer pathway", False), ("DNA CPR", False), ("DNACPR", False), ("CXR done", False), ("Consent taken", False),
    ("previously cancelled, relisted", False), ("Booked (deferred from Feb)", False), ("Don't cancel", False),
    ("on cancellation list", False), ("rebooked after a cancellation", False),
])  # fmt: skip
def test_words_for_an_operation_that_is_off(said, off):
    """Common practice, no source."""
    assert called_off(said) is off


@pytest.mark.parametrize(("cell", "off"), [
    ("CANCELLED - ankle replacement", True), ("*** CANCELLED ***", True), ("Op cancelled", True),
    ("Postponed: hip", True),
    ("cancellous bone graft", False), ("Removal of K-wires", False),
    ("ankle replacement (cancelled twice before)", False), ("Ankle replacement - cancelled", True),
    ("ankle replacement (cancelled)", True), ("TAR LEFT CANCELLED", True), ("TAR LEFT PREVIOUSLY CANCELLED", False),
    ("ankle replacement - not cancelled", False), ("cancelled previously: ankle replacement", False),
])  # fmt: skip
def test_an_operation_that_is_crossed_out_in_another_column(cell, off, tmp_path):
    """Lists without a column for the state write it over the operation: common practice, no source."""
    assert crossed_out(cell) is off
    found = reported(tmp_path, f"Date,MRN,Procedure\n2026-03-18,AQ-1001,{cell}\n")
    own = next(r for r in found.worklist.rows if r.item == "plan/plan")
    assert own.verdict == ("no-case" if off else "current")


def test_an_appointment_that_was_called_off_covers_its_day(tmp_path):
    """The only operation of its day, cancelled: the plan stood unasked, as if the list did not reach to that day."""
    who = {"type": "Patient", "identifier": {"system": MRN, "value": "AQ-1001"}}
    gone = {"resourceType": "Appointment", "id": "1", "status": "cancelled", "start": "2026-03-18T12:30:00Z",
            "participant": [{"actor": who}]}  # fmt: skip
    (tmp_path / "list.ndjson").write_bytes(orjson.dumps(gone))
    found = verbs.gaps(PLAN, as_of="2026-03-10", theatre_list=str(tmp_path / "list.ndjson"))
    assert next(r for r in found.worklist.rows if r.item == "plan/plan").verdict == "no-case"
