"""The shipped tables are what the published definitions say."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest

from waykeeper.validate.build import lines, published_jar, structure_definitions, tables
from waykeeper.validate.build_structures import type_records
from waykeeper.validate.tables import resource_types, type_record, version
from waykeeper.validate.terminology import system_codes, value_set
from waykeeper.validate.ucum import is_unit

TABLES = files("waykeeper.validate") / "tables"
JARS = Path(__file__).parents[1] / "contract/server/lib"


def test_the_types_are_those_of_the_structure_definitions():
    assert lines(type_records(structure_definitions())) == (TABLES / "types.jsonl").read_text("utf-8")


def test_every_table_is_rebuilt_from_the_published_packages(monkeypatch):
    if published_jar() is None and JARS.exists():
        monkeypatch.setenv("R4_DEFINITIONS_FOLDER", str(JARS))
    jar, ucum = published_jar(), published_jar("ucum")
    if jar is None or ucum is None:
        pytest.skip("the jars with the published terminology are not here; tests/contract/server/build.sh fetches them")
    for name, text in tables(jar, ucum).items():
        assert text == (TABLES / name).read_text("utf-8"), f"{name}: run python -m waykeeper.validate.build"


def test_r4_has_146_resource_types():
    """FHIR R4, resourcelist.html; 148 with Resource and DomainResource, which are abstract."""
    assert len(resource_types()) == 146
    assert {"Task", "CarePlan", "Bundle", "Binary", "Parameters"} <= resource_types()
    assert "DomainResource" not in resource_types()


def test_the_version_names_the_release():
    assert version().startswith("4.0.1+")


@pytest.mark.parametrize(
    ("url", "codes"),
    [
        ("http://hl7.org/fhir/ValueSet/administrative-gender", {"male", "female", "other", "unknown"}),
        (
            "http://hl7.org/fhir/ValueSet/task-intent",
            {
                "unknown",
                "proposal",
                "plan",
                "order",
                "original-order",
                "reflex-order",
                "filler-order",
                "instance-order",
                "option",
            },
        ),
        ("http://hl7.org/fhir/ValueSet/care-plan-intent", {"proposal", "plan", "order", "option"}),
        (
            "http://hl7.org/fhir/ValueSet/appointmentstatus",
            {
                "proposed",
                "pending",
                "booked",
                "arrived",
                "fulfilled",
                "cancelled",
                "noshow",
                "entered-in-error",
                "checked-in",
                "waitlist",
            },
        ),
    ],
)
def test_required_value_sets_hold_what_the_specification_prints(url, codes):
    assert value_set(url).codes == codes


def test_every_required_binding_of_a_code_can_be_checked():
    unchecked = set()
    for name in resource_types():
        for node in type_record(name)["nodes"].values():
            for element in node["e"]:
                if (
                    element.get("b", [""])[0] == "required"
                    and element["t"] == "code"
                    and value_set(element["b"][1]).codes is None
                ):
                    unchecked.add(element["b"][1])
    assert unchecked == set()


def test_a_code_that_came_after_r4_is_not_in_its_code_system():
    assert "CAREGAP" not in system_codes("http://terminology.hl7.org/CodeSystem/v3-ActCode")
    assert "AMB" in system_codes("http://terminology.hl7.org/CodeSystem/v3-ActCode")


@pytest.mark.parametrize(
    "unit",
    [
        "mg",
        "mm[Hg]",
        "mg/dL",
        "10*3/uL",
        "/min",
        "kg.m/s2",
        "%",
        "{score}",
        "1",
        "wk",
        "[in_i]",
        "mg{dry}",
        "(mg)",
        "Cel",
        "meq/L",
    ],
)
def test_units_of_ucum(unit):
    """UCUM, sections 2 to 4."""
    assert is_unit(unit)


@pytest.mark.parametrize("unit", ["banana", "mcg", "IU", "kmin", "m[", "", " mg", "mg)", "k[lb_av]", "m^2", "{é}"])
def test_no_units_of_ucum(unit):
    assert not is_unit(unit)
