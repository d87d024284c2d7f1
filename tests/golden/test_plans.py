"""The golden plans: compiled again they mean the same, twice they are the same bytes, and they read back whole."""

import json
from functools import cache

import pytest

from golden.rewrite import BUNDLES, cases, compiled, differences
from waykeeper import fhir
from waykeeper.fhir.conformance import definitions, shipped
from waykeeper.record import resources_of
from waykeeper.validate import validate
from waykeeper.verbs.output import bundle_bytes

CASES = cases()


@cache
def once(name):
    """A case compiled once, in whatever order the tests come."""
    return compiled(name, CASES[name])


@pytest.fixture(params=sorted(CASES))
def made(request):
    """One case compiled."""
    return request.param, once(request.param)


def test_compiled_again_a_golden_plan_means_the_same(made):
    name, found = made
    stored = json.loads((BUNDLES / name / "plan.bundle.json").read_text("utf-8"))
    assert sorted(differences(stored, found.bundle)) == [], "run make golden and read what changed"


def test_a_plan_reads_back_whole(made):
    _, found = made
    plan, state = fhir.read(resources_of(found.bundle))
    assert plan == found.plan.live
    assert set(state.items) == {item.key for item in plan.items}


def test_a_plan_has_no_error_by_our_own_validator(made):
    _, found = made
    assert [f.line() for f in validate(found.bundle, profiles=shipped()) if f.severity == "error"] == []


def test_every_medicine_row_that_came_in_goes_out_once(made):
    name, found = made
    record = resources_of(json.loads((BUNDLES / name / "record.bundle.json").read_text("utf-8")))
    rows = [r for _, r in record if r["resourceType"] in ("MedicationRequest", "MedicationStatement")]
    assert sum(i.key.kind in ("hold", "medicine") for i in found.plan.items) == len(rows)


def test_no_identity_occurs_twice(made):
    _, found = made
    urls = [entry["fullUrl"] for entry in found.bundle["entry"]]
    assert len(urls) == len(set(urls))


def test_the_same_input_gives_the_same_bytes():
    name = "demo-left"
    assert bundle_bytes(compiled(name, CASES[name]).bundle) == bundle_bytes(compiled(name, CASES[name]).bundle)


def test_visits_target_the_days_of_the_worked_table():
    """Surgery Wed 2026-03-18: windows of published and administrative programmes, dates computed in the table."""
    plan = once("demo-left").plan
    targets = {i.key.item: str(i.dates.target) for i in plan.items if i.key.kind == "visit" and i.dates.target}
    wanted = {
        "two-week": "2026-04-01",
        "six-week": "2026-04-29",
        "three-month": "2026-06-18",
        "six-month": "2026-09-18",
        "twelve-month": "2027-03-18",
    }
    assert {k: targets[k] for k in wanted} == wanted


def test_the_shipped_definitions_are_those_of_the_table():
    made = sorted((d["url"], d["resourceType"]) for d in definitions().values())
    assert made == sorted((d["url"], d["resourceType"]) for d in shipped())
    assert all(d in list(definitions().values()) for d in shipped())


def test_every_golden_parses_through_the_models_of_fhir_resources():
    """A second opinion on shape: the R4B models, which know the same elements for the types that we write."""
    from fhir.resources.R4B.bundle import Bundle

    for file in sorted(BUNDLES.glob("*/*.bundle.json")):
        parsed = Bundle.model_validate(json.loads(file.read_text("utf-8")))
        assert parsed.entry, file
