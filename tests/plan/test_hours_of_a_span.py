"""A span that has an hour at one end alone keeps it, in FHIR, on the sheet and in the calendar.

RFC 5545 3.6.1: an event with DTSTART of type DATE lasts the whole day. FHIR R4 Period: without a start, the start is
unknown; `per-1` cannot compare a day with a moment of that day. That "by Friday noon" is not "by Friday", and that
what ends two hours before surgery does not last through its day: common practice, no source.
"""

from datetime import UTC, date, datetime, time

import icalendar
import pytest

from pathway.frame import clinic, pathway
from waykeeper.fhir import read as read_plan
from waykeeper.fhir import write
from waykeeper.pathway import check, read_clinic
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Key, State
from waykeeper.record import read
from waykeeper.report.calendars import calendar_ics
from waykeeper.report.plan_text import explain_item, plan_table
from waykeeper.report.sheet import sheet_html
from waykeeper.timing.model import Moment

CLINIC, _ = read_clinic("clinic.yaml", clinic({}))
PATIENT = [("Patient/p", {"resourceType": "Patient", "id": "p", "identifier": [{"system": "urn:x", "value": "P-1"}]})]
EVERY = "who: patient, why: Wound, harm: 2, source: {grade: common practice}, words: {en: Lift it., es: Lleve algo.}"
SURGERY = Moment(date(2026, 3, 18), time(7, 30), CLINIC.zone)


def planned(kind, keys, surgery=SURGERY):
    text = pathway(f"anchors:\n  surgery: {{required: true}}\n{kind}s:\n  one: {{title: One, {EVERY}, {keys}}}\n")
    made, found = check([("p.yaml", text)])
    assert not [f for f in found if f.severity == "error"]
    return compile_plan(made, CLINIC, read(PATIENT), {"surgery": surgery})


def period(resources):
    said = next(r for r in resources if r["resourceType"] in ("Task", "CommunicationRequest"))
    return (said.get("restriction") or {"period": said.get("occurrencePeriod")})["period"]


@pytest.mark.parametrize(
    ("kind", "keys", "written", "printed", "last"),
    [
        ("task", "from: 8 days before surgery, by: 2 days after surgery 12:00",
         {"start": "2026-03-10T00:00:00-05:00", "end": "2026-03-20T12:00:00-05:00"},
         "From Tuesday, March 10 through Friday, March 20, 2026, at 12:00 noon", "2026-03-20T12:00:00-05:00"),
        ("instruction", "at: from 8 days before surgery to 2 hours before surgery",
         {"start": "2026-03-10T00:00:00-05:00", "end": "2026-03-18T05:30:00-05:00"},
         "From Tuesday, March 10 through Wednesday, March 18, 2026, at 5:30 AM", "2026-03-18T05:30:00-05:00"),
        ("instruction", "at: from 6 hours after surgery to 2 days after surgery",
         {"start": "2026-03-18T13:30:00-05:00", "end": "2026-03-20T23:59:00-05:00"},
         "From Wednesday, March 18, 2026, at 1:30 PM through Friday, March 20, 2026", "2026-03-20T23:59:00-05:00"),
        # the clocks went forward on 2026-03-08: its first minute is still of winter time
        ("task", "from: 10 days before surgery, by: 1 day before surgery in the evening",
         {"start": "2026-03-08T00:00:00-06:00", "end": "2026-03-17T20:00:00-05:00"},
         "From Sunday, March 8 through Tuesday, March 17, 2026, at 8:00 PM", "2026-03-17T20:00:00-05:00"),
        # the hour of a bare event is no part of a rule that speaks of days
        ("instruction", "at: from 8 days before surgery to surgery",
         {"start": "2026-03-10", "end": "2026-03-18"}, "From Tuesday, March 10 through Wednesday, March 18, 2026",
         "2026-03-19"),
        # only the start has an hour: the last day is a day, and its last minute is no hour to be woken at
        ("task", "from: 2 hours before surgery, by: 2 days after surgery",
         {"start": "2026-03-18T05:30:00-05:00", "end": "2026-03-20T23:59:00-05:00"},
         "From Wednesday, March 18, 2026, at 5:30 AM through Friday, March 20, 2026", "2026-03-21"),
        ("task", "from: 8 days before surgery, by: 2 days after surgery", {"start": "2026-03-10", "end": "2026-03-20"},
         "From Tuesday, March 10 through Friday, March 20, 2026", "2026-03-21"),
        ("instruction", "at: until 2 hours before surgery", {"end": "2026-03-18T05:30:00-05:00"},
         "Now, through Wednesday, March 18, 2026, at 5:30 AM", "2026-03-18T05:30:00-05:00"),
        ("instruction", "at: until 2 days after surgery", {"end": "2026-03-20"},
         "Now, through Friday, March 20, 2026", "2026-03-21"),
    ],
)  # fmt: skip
def test_the_hour_of_one_end_is_kept(kind, keys, written, printed, last):
    plan = planned(kind, keys)
    resources = write(plan)
    assert period(resources) == written
    assert read_plan([(f"x/{n}", r) for n, r in enumerate(resources)])[0] == plan.live
    root = next(r for r in resources if r["resourceType"] == "CarePlan" and "partOf" not in r)
    assert root["period"]["start"] >= "2025"
    assert printed in sheet_html(plan, State(), as_of=date(2026, 2, 1), language="en", checked_against=None)
    assert "0001-" not in plan_table(plan), "nobody said when `until ...` starts"
    assert "0001-" not in explain_item(plan, f"{kind}/one").partition("arithmetic")[0]
    ics = calendar_ics(plan, State(), sequence=0, now=datetime(2026, 2, 1, tzinfo=UTC), language="en")
    (event,) = (e for e in icalendar.Calendar.from_ical(ics).walk("VEVENT") if "Lift" in str(e["SUMMARY"]))
    ends = event.decoded("DTEND", None) or event.decoded("DTSTART")
    assert ends.isoformat() == last
    rings = [a.decoded("TRIGGER").total_seconds() / 3600 for a in event.walk("VALARM")]
    begins = event.decoded("DTSTART")
    midnight = not isinstance(begins, datetime) or begins.time() == time(0)
    assert rings and not (midnight and 0 in rings), "nobody is woken at midnight"


def test_a_task_of_one_day_with_an_hour_says_that_hour():
    plan = planned("task", "from: day of surgery, by: day of surgery 15:00")
    assert plan.item(Key("task", "one")).dates.window.end.clock == time(15)
    page = sheet_html(plan, State(), as_of=date(2026, 2, 1), language="en", checked_against=None)
    assert "3:00 PM" in page and "midnight" not in page


def test_an_hour_that_comes_twice_says_which_of_the_two_it_is():
    """The clocks go back on 2026-11-01 at 2:00: 1:30 comes twice (tz database, America/Chicago)."""
    surgery = Moment(date(2026, 11, 1), time(7, 30), CLINIC.zone)
    plan = planned("task", "from: day of surgery, by: day of surgery 01:30", surgery)
    page = sheet_html(plan, State(), as_of=date(2026, 10, 1), language="en", checked_against=None)
    assert "1:30 AM (the first time this hour comes" in page
