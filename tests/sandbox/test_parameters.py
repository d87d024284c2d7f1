"""The table of search parameters against the published R4 definitions."""

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest

from waykeeper.sandbox import Store, create_app
from waykeeper.sandbox.capability import capability_statement
from waykeeper.sandbox.extract import rows_of
from waykeeper.sandbox.parameters import READ_ONLY, table

# http://hl7.org/fhir/R4/search-parameters.json, FHIR 4.0.1, cut down to names, types and expressions
PUBLISHED = json.loads((Path(__file__).parent / "r4_search_parameters.json").read_text())["types"]

LEFT_OUT = ("composite", "quantity", "number", "special")


def own(kind):
    return {name: one for name, one in table()[kind].items() if not name.startswith("_")}


@pytest.mark.parametrize("kind", sorted(table()))
def test_names_and_types_are_those_of_the_specification(kind):
    expected = {n: t for n, (t, _) in PUBLISHED[kind].items() if t not in LEFT_OUT}
    if kind == "Patient":
        del expected["deceased"]  # an expression, no path
    assert {name: one.kind for name, one in own(kind).items()} == expected


@pytest.mark.parametrize("kind", sorted(table()))
def test_paths_name_the_elements_of_the_published_expressions(kind):
    for name, one in own(kind).items():
        expression = PUBLISHED[kind][name][1]
        for path in one.paths:
            for step in path.steps:
                stem = re.sub(
                    r"(DateTime|Period|CodeableConcept|Reference|Date|Canonical|Uri|Age|Range|String|Boolean)$",
                    "",
                    step.name,
                )
                assert re.search(rf"\.({step.name}|{stem})\b", expression), (kind, name, step.name, expression)
            if path.target:
                assert f"resolve() is {path.target}" in expression
        assert len(one.paths) == len(expression.split(" | ")), (kind, name)


def test_every_type_of_the_specification_that_a_plan_or_a_record_is_made_of_is_held():
    needed = {
        "Patient",
        "Appointment",
        "Encounter",
        "Task",
        "CarePlan",
        "ServiceRequest",
        "MedicationRequest",
        "MedicationStatement",
        "CommunicationRequest",
        "Communication",
        "Goal",
        "Flag",
        "DetectedIssue",
        "Provenance",
        "Condition",
        "Observation",
        "AllergyIntolerance",
        "Procedure",
        "Practitioner",
        "PractitionerRole",
        "Organization",
        "Location",
        "Schedule",
        "Slot",
    }
    assert needed <= set(table())


def test_the_capability_statement_lists_exactly_what_the_table_holds():
    rest = capability_statement("http://127.0.0.1/fhir", 10, 50)["rest"][0]
    shown = {one["type"]: {p["name"]: p["type"] for p in one["searchParam"]} for one in rest["resource"]}
    assert shown == {kind: {n: p.kind for n, p in row.items()} for kind, row in table().items()}
    writable = {one["type"] for one in rest["resource"] if {"code": "create"} in one["interaction"]}
    assert writable == set(table()) - set(READ_ONLY)


def test_a_choice_element_is_indexed_whatever_its_type():
    base = {"resourceType": "Procedure", "id": "p", "status": "completed"}
    day = rows_of({**base, "performedDateTime": "2026-03-18"}).date
    assert [key for key, _, _ in day] == ["Procedure.date"]
    assert rows_of({**base, "performedPeriod": {"start": "2026-03-18", "end": "2026-03-18"}}).date == day
    assert rows_of({**base, "performedString": "last spring"}).date == []


def test_an_actor_that_is_no_patient_is_not_indexed_as_one():
    actors = [{"actor": {"reference": r}, "status": "accepted"} for r in ("Patient/a", "Practitioner/b")]
    rows = rows_of({"resourceType": "Appointment", "id": "x", "participant": actors}).reference
    assert ("Appointment.patient", "Patient", "a") in rows and ("Appointment.practitioner", "Practitioner", "b") in rows
    assert ("Appointment.patient", "Practitioner", "b") not in rows
    assert {r for r in rows if r[0] == "Appointment.actor"} == {
        ("Appointment.actor", "Patient", "a"),
        ("Appointment.actor", "Practitioner", "b"),
    }


def test_the_table_is_package_data_and_the_app_starts_without_a_file():
    assert (files("waykeeper.sandbox") / "parameters.yaml").is_file()
    store = Store()
    assert create_app(store).routes
    store.close()
