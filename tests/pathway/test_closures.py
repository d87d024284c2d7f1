"""A clinic that closes for longer than a window is told, and every patient whom it does not meet still has a plan."""

from dataclasses import replace
from datetime import date, time

import pytest

from pathway.frame import clinic, pathway
from waykeeper.pathway import check, read_clinic
from waykeeper.pathway.library import load
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Key
from waykeeper.record import read
from waykeeper.timing.model import Moment
from waykeeper.verbs import inputs

WEEK = ("monday", "tuesday", "wednesday", "thursday", "friday")
HOURS = "{" + ", ".join(f"{day}: 08:00 to 16:00" for day in WEEK) + "}"
YEAR_END = ["2026-12-24", "2026-12-28", "2026-12-29", "2026-12-30", "2026-12-31", "2027-01-04"]  # 24 to 4 January
DEMO = inputs.clinic_of("clinic-demo")
PATIENT = {"resourceType": "Patient", "id": "p", "identifier": [{"system": "urn:x", "value": "P-1"}]}


def closing(*days):
    """The invented clinic, open from Monday to Friday, with these closures."""
    shut = ", ".join(f"{day}: closed" for day in days)
    text = clinic({"hours": HOURS, "holidays": f"{{calendar: US, closures: {{{shut}}}}}"})
    made, found = read_clinic("clinic.yaml", text)
    assert not found
    return made


def visit_findings(at, window, roll="in window", shut=YEAR_END):
    """What is found in a pathway with one visit, checked with the clinic."""
    visit = (
        "visits:\n  look: {title: Look, who: surgeon, why: Wound, harm: 2, source: {grade: common practice}, "
        f"words: {{en: Come., es: Venga.}}, at: {at}, window: {window}, roll: {roll}}}\n"
    )
    return check([("pathway.yaml", pathway(visit))], None, None, closing(*shut))[1]


def test_closures_alone_are_a_warning():
    (found,) = visit_findings("2 weeks after surgery", "10 to 18 days after surgery")
    assert (found.code, found.severity) == ("WKP314", "warning")
    assert found.details == (
        "visit 'look': a window of 9 days may hold no open day: 2026-12-24 to 2027-01-01; "
        "the clinic's longest closure is 2026-12-24 to 2027-01-04"
    )
    assert not visit_findings("2 weeks after surgery", "10 to 18 days after surgery", shut=["2026-04-03"])


@pytest.mark.parametrize(
    ("at", "window", "roll"),
    [
        ("2 weeks after surgery", "14 to 15 days after surgery", "in window"),  # a weekend in any week
        ("6 months after surgery", "182 to 200 days after surgery", "in window"),  # the target itself falls outside
        ("2 weeks after surgery", "14 to 20 days after surgery", "earlier"),  # rolls out of its window
    ],
)
def test_what_no_calendar_can_help_stays_an_error(at, window, roll):
    assert [(f.code, f.severity) for f in visit_findings(at, window, roll)] == [("WKT302", "error")]


@pytest.mark.parametrize(
    ("surgery", "told"),
    [
        (date(2026, 12, 11), False),  # open until Wed 23 December, inside the window of 21 to 29
        (date(2026, 12, 14), True),
        (date(2026, 12, 17), True),
        (date(2026, 12, 18), False),  # open on Tue 5 January, the last day of its window
        (date(2026, 3, 18), False),
    ],
)
def test_the_plans_that_it_meets_say_so_and_all_others_stand(surgery, told):
    shut = {date.fromisoformat(day): "closed" for day in YEAR_END}
    calendar = replace(DEMO.calendar, closed={**DEMO.calendar.closed, **shut})
    own = replace(DEMO, calendar=calendar, overlays=())
    made, found = load("total-knee-replacement", clinic=own)
    assert {f.code for f in found} == {"WKP314"}
    plan = compile_plan(made, own, read([("Patient/p", PATIENT)]), {"surgery": Moment(surgery, time(7, 30), own.zone)})
    closed = [f for f in plan.findings if f.code == "WKL107" and "Two-week" in f.details]
    assert bool(closed) is told
    assert own.calendar.is_open(plan.item(Key("visit", "two-week")).dates.at.day) is not told
