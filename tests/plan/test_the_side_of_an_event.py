"""Rolling off a closed day never lands on the event that an item comes before or after, nor beyond it.

Weekdays: ISO 8601 calendar (2026-06-08 is a Monday). Closed days: New Year's Day 2027 (5 U.S.C. 6103). That a
visit before surgery is over when surgery begins, and a call after discharge comes after it: common practice, no source.
"""

from datetime import date, datetime, time

import pytest

from pathway.frame import clinic, pathway
from waykeeper.pathway import check, read_clinic
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Key
from waykeeper.record import read
from waykeeper.timing import contains, parse
from waykeeper.timing.model import Moment, WorkingCalendar

WEEK = ("monday", "tuesday", "wednesday", "thursday", "friday")
CLINIC, _ = read_clinic("clinic.yaml", clinic({"hours": "{" + ", ".join(f"{d}: 08:00 to 16:00" for d in WEEK) + "}"}))
PATIENT = [("Patient/p", {"resourceType": "Patient", "id": "p", "identifier": [{"system": "urn:x", "value": "P-1"}]})]
EVERY = "who: surgeon, why: Wound, harm: 2, source: {grade: common practice}"
HEAD = "anchors:\n  surgery: {required: true}\n  discharge: {assume: day of surgery 16:00}\n"


def planned(kind, keys, surgery):
    """The plan of a pathway with one item, and that item."""
    words = ", words: {en: Come., es: Venga.}" if kind == "visit" else ""
    made, found = check([("p.yaml", pathway(f"{HEAD}{kind}s:\n  one: {{title: One, {EVERY}{words}, {keys}}}\n"))])
    assert not found
    at = datetime.fromisoformat(surgery)
    plan = compile_plan(made, CLINIC, read(PATIENT), {"surgery": Moment(at.date(), at.time(), CLINIC.zone)})
    return plan.item(Key(kind, "one"))


@pytest.mark.parametrize(
    ("keys", "surgery", "day"),
    [
        # Monday's surgery: the Friday before it, not the day of surgery itself, though the window holds both
        ("at: 1 day before surgery, window: within 7 days before surgery, roll: in window", "2026-06-08", "2026-06-05"),
        ("at: 1 day before surgery, window: 5 days either side of target, roll: in window", "2026-06-08", "2026-06-05"),
        (
            "at: 2 days before surgery, window: within 7 days before surgery, roll: in window",
            "2026-06-08",
            "2026-06-05",
        ),
        ("at: 1 day after surgery, window: within 3 days after surgery, roll: in window", "2026-06-05", "2026-06-08"),
        # the next three days are closed: it stays on its day, which a finding says (WKL107)
        ("at: 1 day after surgery, window: within 3 days after surgery, roll: in window", "2026-12-31", "2027-01-01"),
        (
            "at: 3 weeks before surgery, window: 14 to 30 days before surgery, roll: in window",
            "2026-06-08",
            "2026-05-18",
        ),
        # hours before an operation on a closed Saturday: the Friday, though the Monday is in the window too
        (
            "at: 3 hours before surgery, window: 3 days either side of target, roll: in window",
            "2026-06-06",
            "2026-06-05",
        ),
        (
            "at: 3 hours after surgery, window: 3 days either side of target, roll: in window",
            "2026-06-06",
            "2026-06-08",
        ),
        # the open day before, for a visit as for a task
        ("at: 15 days before surgery, window: 14 to 30 days before surgery, roll: earlier", "2026-06-08", "2026-05-22"),
    ],
)
def test_a_visit_stays_on_its_side(keys, surgery, day):
    found = planned("visit", keys, f"{surgery}T09:00")
    assert str(found.dates.at.day) == day
    assert found.dates.window.holds(found.dates.at.day)


def test_a_visit_keeps_its_hour_on_an_open_day():
    found = planned("visit", "at: 1 week after surgery 10:30, window: 1 week either side of target", "2026-06-08T09:00")
    assert found.dates.at == found.dates.target == Moment(date(2026, 6, 15), time(10, 30), CLINIC.zone)


@pytest.mark.parametrize(
    ("keys", "surgery", "day"),
    [
        # home on the Friday, called on the Saturday or not at all: never on the day of discharge, never before it
        ("by: 1 day after discharge, roll: earlier", "2026-06-05", "2026-06-06"),
        ("by: 1 day after discharge, roll: earlier", "2026-06-06", "2026-06-07"),
        ("by: 3 days after discharge, roll: earlier", "2026-06-04", "2026-06-05"),
        ("from: 3 days before surgery, by: 1 day after discharge, roll: in window", "2026-06-06", "2026-06-07"),
        ("from: 5 days after surgery, by: 11 days after surgery, roll: in window", "2026-06-03", "2026-06-12"),
        ("by: 1 day before surgery, roll: earlier", "2026-06-08", "2026-06-05"),
        # hours that end on the Saturday of the operation itself: never the Friday before it
        ("by: 8 hours after surgery, roll: earlier", "2026-06-06", "2026-06-06"),
        ("at: 90 minutes after surgery, roll: earlier", "2026-06-06", "2026-06-06"),
        ("by: 16 hours after surgery, roll: earlier", "2026-06-06", "2026-06-07"),
        ("by: 3 hours before surgery, roll: earlier", "2026-06-06", "2026-06-05"),
    ],
)
def test_a_task_stays_on_its_side(keys, surgery, day):
    assert str(planned("task", keys, f"{surgery}T09:00").dates.at.day) == day


@pytest.mark.parametrize(
    ("target", "window", "verdict"),
    [
        ("1 day after surgery", "within 2 days after surgery", "sometimes"),  # Friday's surgery leaves a closed weekend
        ("1 day after surgery", "within 3 days after surgery", "always"),
        ("2 days before surgery", "within 3 days before surgery", "always"),
        ("1 day before surgery", "within 2 days before surgery", "sometimes"),
        ("1 day before surgery", "3 days either side of target", "always"),
        ("day of surgery", "within 2 days after surgery", "always"),  # it stands on the event, so it may leave it
    ],
)
def test_the_proof_of_a_window_rolls_as_a_plan_does(target, window, verdict):
    weekdays = WorkingCalendar("UTC", years=tuple(range(2024, 2052)))
    proof = contains(parse(target), parse(window), policy="in window", calendar=weekdays)
    assert proof.verdict == verdict
    if verdict == "sometimes":
        first, last = proof.window
        assert not any(weekdays.is_open(date.fromordinal(n)) for n in range(first.toordinal(), last.toordinal() + 1))
