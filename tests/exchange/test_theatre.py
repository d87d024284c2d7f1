"""A theatre list as clinics export it, laid beside the plans."""

from __future__ import annotations

from datetime import date, time

import orjson
import pytest

from waykeeper import verbs
from waykeeper.exchange.theatre import headings, read_theatre_list, shared
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
