"""The examples of the room's README are whole files that pass, and the overlay does what it says there."""

import re
from datetime import date, time
from importlib.resources import files

from merge.small import MRN, patient
from waykeeper.fhir import is_ours
from waykeeper.pathway import check, check_part, read_clinic
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Identifier, Key
from waykeeper.record import read
from waykeeper.timing.model import Moment

TEXT = (files("waykeeper.pathway") / "README.md").read_text("utf-8")
PATHWAY, PART, INCLUDING, OVERLAY, CLINIC = re.findall(r"```yaml\n(.*?)```", TEXT, re.DOTALL)


def test_the_clinic_and_the_pathway_pass():
    clinic, found = read_clinic("clinic.yaml", CLINIC, ["glp1"])
    assert [f.line() for f in found] == []
    pathway, found = check([("pathway.yaml", PATHWAY)], ["nsaids"], ["glp1"], clinic)
    assert [f.line() for f in found] == []
    assert [i.name for i in pathway.items] == ["antiseptic-wash", "holds", "ready"]


def test_the_part_is_changed_and_placed_as_it_says():
    assert check_part("skin.yaml", PART) == ()
    parts = {"skin": ("parts/skin.yaml", PART)}
    pathway, found = check([("pathway.yaml", INCLUDING)], parts=parts.get)
    assert [f.line() for f in found] == []
    assert [(i.name, i.by) for i in pathway.items] == [
        ("soap-used", "day of surgery"), ("soap-given", "2 weeks before surgery"),
    ]  # fmt: skip
    assert [place.file for place in pathway.items[1].changed_at] == ["pathway.yaml"]


def test_the_overlay_does_what_it_says():
    pathway, found = check([("pathway.yaml", PATHWAY), ("overlay.yaml", OVERLAY)], ["nsaids"], ["glp1"])
    assert [f.line() for f in found if f.severity == "error"] == []
    items = {i.name: i for i in pathway.items}
    assert items["early-wash"].phase == "last-days"
    assert items["early-wash"].redo == "on move"
    assert items["antiseptic-wash"].valid_for == "2 days before surgery"
    assert items["antiseptic-wash"].unless == ()
    assert items["ready"].at[0].phrase == "1 hour before surgery"
    assert pathway.facts[0].ask == "Does the soap give you a rash?"
    assert pathway.policies == {"glp1": "ask"}
    assert {i.name for i in pathway.items if i.overlays} == {"early-wash", "antiseptic-wash", "ready"}


def test_the_wash_of_the_example_is_before_an_operation_that_begins_early():
    """The clinic's morning is 08:00 and theatres begin before it; it stood there after a surgery of 07:30."""
    clinic, _ = read_clinic("clinic.yaml", CLINIC, ["glp1"])
    pathway, _ = check([("pathway.yaml", PATHWAY), ("overlay.yaml", OVERLAY)], ["nsaids"], ["glp1"], clinic)
    record = read([("urn:uuid:p", patient(Identifier(MRN, "M-1")))], is_ours)
    surgery = Moment(date(2026, 3, 18), time(7, 30), clinic.zone)
    made = compile_plan(pathway, clinic, record, {"surgery": surgery}, side="left")
    assert made.item(Key("task", "antiseptic-wash", "morning")).dates.at == Moment(
        surgery.day, time(4, 30), clinic.zone
    )
    assert made.findings == ()
