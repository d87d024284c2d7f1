"""The JSON form of resources (FHIR R4, JSON representation of resources), by the tables of the specification."""

import json

import pytest

from waykeeper.fhir.shape import misshapen, whose
from waykeeper.pathway.shelf import folder

TASK = {"resourceType": "Task", "id": "t"}


@pytest.mark.parametrize("name", ["demo-left", "many-medicines", "leap-day"])
def test_what_we_write_and_what_clinics_book_has_it(name):
    for file in ("plan", "record", "bookings"):
        path = folder("sandbox_bundles") / name / f"{file}.bundle.json"
        if path.is_file():
            entries = json.loads(path.read_text("utf-8"))["entry"]
            assert {misshapen(entry["resource"]) for entry in entries} == {""}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"identifier": "x"}, "Task.identifier is a text, a list is wanted"),
        ({"identifier": [None]}, "Task.identifier[0] is null, an object is wanted"),
        ({"identifier": {"value": "x"}}, "Task.identifier is an object, a list is wanted"),
        ({"status": ["requested"]}, "Task.status is a list, a text is wanted"),
        ({"status": None}, "Task.status is null, a text is wanted"),
        ({"for": "Patient/1"}, "Task.for is a text, an object is wanted"),
        ({"for": {"reference": 1}}, "Task.for.reference is a number, a text is wanted"),
        ({"restriction": {"repetitions": "3"}}, "Task.restriction.repetitions is a text, a number is wanted"),
        ({"restriction": {"repetitions": True}}, "Task.restriction.repetitions is a truth value, a number is wanted"),
        ({"output": [{"valueBoolean": "true"}]}, "Task.output[0].valueBoolean is a text, a truth value is wanted"),
        ({"output": [{"type": {"coding": [{"code": 7}]}}]}, "Task.output[0].type.coding[0].code is a number"),
        ({"extension": [{"valueString": "x"}]}, "Task.extension[0] has no url"),
        ({"extension": [{"url": "u", "extension": [3]}]}, "Task.extension[0].extension[0] is a number, an object"),
        ({"_description": {"extension": "x"}}, "Task._description.extension is a text, a list is wanted"),
        ({"_description": "x"}, "Task._description is a text, an object is wanted"),
        ({"contained": [{"resourceType": "Patient", "name": {}}]}, "Task.contained[0].name is an object, a list"),
        ({"contained": [{}]}, "Task.contained[0] has no resourceType"),
        ({"resourceType": 3}, "resourceType is a number, a text is wanted"),
        ({"id": 7}, "Task.id is a number, a text is wanted"),
    ],
)
def test_what_has_not_is_named(more, said):
    assert misshapen(TASK | more).startswith(said)


@pytest.mark.parametrize(
    "more",
    [
        {"identifier": []},  # not legal, and nothing in it that could be misread
        {"ours": {"or": "theirs"}},
        {"resourceType": "NoSuchType", "identifier": "x"},
        {"output": [{"type": {"text": "x"}, "valueDecimal": 1.5}]},
        {"instantiatesUri": "https://clinic.example/p"},
    ],
)
def test_what_is_nobody_s_business_here(more):
    assert misshapen(TASK | more) == ""


def test_a_list_of_names_may_have_one_of_which_only_the_extension_is_known():
    assert misshapen({"resourceType": "Patient", "name": [{"given": ["A", None], "_given": [None, {"id": "x"}]}]}) == ""


def test_no_depth_is_too_deep():
    deep = {"url": "u"}
    for _ in range(5000):
        deep = {"url": "u", "extension": [deep]}
    assert misshapen(TASK | {"extension": [deep]}) == "Task is nested too deeply"


@pytest.mark.parametrize(
    ("resource", "who"),
    [
        ({"for": {"reference": "Patient/1"}}, "Patient/1"),
        ({"subject": "x", "patient": {"reference": "Patient/2"}}, "Patient/2"),
        ({"participant": [None, {"actor": {}}, {"actor": {"reference": "Patient/3"}}]}, "Patient/3"),
        ({"subject": {"reference": ["Patient/4"]}, "participant": "x"}, ""),
    ],
)  # fmt: skip
def test_whose_it_is_is_said_whatever_its_shape(resource, who):
    assert whose(resource) == who
