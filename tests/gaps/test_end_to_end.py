"""The worked overdue case through the library's pathway: compiled, written as FHIR, read back, laid beside bookings.

Grace 7 days and a lead of 28 days are clinic settings (common practice, no source).
"""

from __future__ import annotations

from datetime import date, time
from functools import cache

import pytest

from gaps.plans import SURGERY, evidence, link
from waykeeper.fhir import bundle
from waykeeper.fhir import read as read_plan
from waykeeper.gaps import worklist
from waykeeper.medicines import rule_names
from waykeeper.pathway import library, read_clinic
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.record import read, resources_of
from waykeeper.timing.model import Moment

PATIENT = {
    "resourceType": "Patient", "id": "77", "name": [{"text": "Ada Quill"}],
    "identifier": [{"system": "https://alder-quay.example/patients", "value": "1001"}],
}  # fmt: skip


@cache
def compiled():
    clinic, _ = read_clinic("clinic-demo", library.read("clinic-demo")[1])
    pathway, found = library.load("total-ankle-replacement", clinic.overlays, rule_names=rule_names(), clinic=clinic)
    assert pathway is not None, found
    given = {"surgery": Moment(SURGERY, time(7, 30), clinic.zone), "discharge": Moment(date(2026, 3, 19))}
    return compile_plan(pathway, clinic, read([("Patient/77", PATIENT)]), given, side="left")


def came_and_did_not(made):
    return [
        evidence("Appointment/1", "fulfilled", date(2026, 3, 30), link_to=link(made, "two-week")),
        evidence("Appointment/2", "noshow", date(2026, 4, 29), link_to=link(made, "six-week")),
    ]


@pytest.mark.parametrize("through_fhir", [False, True])
def test_the_worked_case(through_fhir):
    made = compiled()
    pair = read_plan(resources_of(bundle(made))) if through_fhir else (made, read_plan(resources_of(bundle(made)))[1])
    listed = worklist([pair], came_and_did_not(made), date(2026, 6, 26))
    words = {r.item.removeprefix("visit/"): r.verdict for r in listed.rows if r.kind == "visit"}
    wanted = {"two-week": "attended", "six-week": "missed", "three-month": "overdue", "six-month": "not-yet-due",
              "twelve-month": "not-yet-due"}  # fmt: skip
    assert words | wanted == words
    assert len(listed.rows) == len(made.items) + 1
    assert {p.place for p in listed.appointments} == {"evidence", "history"}


def test_files_and_values_give_the_same_rows():
    made = compiled()
    back, state = read_plan(resources_of(bundle(made)))
    for as_of in (date(2026, 2, 1), date(2026, 3, 10), date(2026, 4, 5), date(2027, 6, 1)):
        assert worklist([(back, state)], (), as_of).rows == worklist([(made, state)], (), as_of).rows


def test_every_item_of_the_library_has_a_word_on_every_day():
    """No item of the real pathway falls out of the tables, from before it begins to long after."""
    pair = read_plan(resources_of(bundle(compiled())))
    for offset in range(-200, 500, 50):
        listed = worklist([pair], (), date.fromordinal(SURGERY.toordinal() + offset))
        assert len(listed.rows) == len(pair[0].items) + 1
        assert all(r.reason and r.gap == bool(r.next_action) for r in listed.rows)
