"""Profiles with snapshots: slicing by value, pattern, type and existence, must-support, packages, claims."""

from __future__ import annotations

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.validate import load_profiles, validate

URL = "http://example.org/StructureDefinition/p"


def profile(type_, *elements, **more):
    """A profile whose snapshot has these elements: (id, what it says)."""
    records = [{"id": type_, "path": type_}]
    for name, said in elements:
        path = ".".join(step.partition(":")[0] for step in name.split("."))
        records.append({"id": name, "path": path, **said})
    base = {"resourceType": "StructureDefinition", "url": URL, "type": type_, "derivation": "constraint"}
    return {**base, "snapshot": {"element": records}, **more}


def codes(resource, *profiles):
    """The codes of the profile findings."""
    return sorted(f.code for f in validate(resource, profiles) if f.code.startswith("WKV8"))


def sliced(kind, path, rules="open"):
    return {"slicing": {"discriminator": [{"type": kind, "path": path}], "rules": rules}}


MRN = profile(
    "Patient",
    ("Patient.identifier", sliced("value", "system")),
    ("Patient.identifier:mrn", {"sliceName": "mrn", "min": 1, "max": "1"}),
    ("Patient.identifier:mrn.system", {"fixedUri": "http://example.org/mrn", "min": 1}),
    ("Patient.identifier:mrn.value", {"min": 1}),
)


@pytest.mark.parametrize(
    ("identifiers", "expected"),
    [
        ([{"system": "http://example.org/mrn", "value": "1"}], []),
        ([{"system": "http://example.org/other", "value": "1"}], ["WKV803"]),
        ([{"system": "http://example.org/mrn"}], ["WKV803"]),
        ([{"system": "http://example.org/mrn", "value": "1"}] * 2, ["WKV804"]),
    ],
)
def test_a_slice_by_value(identifiers, expected):
    assert codes({"resourceType": "Patient", "identifier": identifiers}, MRN) == expected


def test_a_slice_by_pattern():
    pattern = {"patternCodeableConcept": {"coding": [{"system": "http://example.org/c", "code": "bp"}]}}
    held = profile(
        "Observation",
        ("Observation.component", sliced("pattern", "code", "closed")),
        ("Observation.component:bp", {"sliceName": "bp", "min": 1}),
        ("Observation.component:bp.code", pattern),
    )
    component = {
        "code": {"coding": [{"system": "http://example.org/c", "code": "bp", "display": "x"}]},
        "valueString": "x",
    }
    base = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    assert codes({**base, "component": [component]}, held) == []
    other = {"code": {"text": "other"}, "valueString": "x"}
    assert codes({**base, "component": [component, other]}, held) == ["WKV810"]


def test_a_slice_by_type():
    held = profile(
        "Observation",
        ("Observation.value[x]", sliced("type", "$this", "closed")),
        (
            "Observation.value[x]:valueQuantity",
            {"sliceName": "valueQuantity", "type": [{"code": "Quantity"}], "min": 1},
        ),
        ("Observation.value[x]:valueQuantity.unit", {"min": 1}),
    )
    base = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    assert codes({**base, "valueQuantity": {"value": 1, "unit": "kg"}}, held) == []
    assert codes({**base, "valueQuantity": {"value": 1}}, held) == ["WKV803"]
    assert codes({**base, "valueString": "x"}, held) == ["WKV803", "WKV810"]


def test_a_slice_by_existence():
    held = profile(
        "Patient",
        ("Patient.telecom", sliced("exists", "period")),
        ("Patient.telecom:old", {"sliceName": "old", "max": "1"}),
        ("Patient.telecom:old.period", {"min": 1}),
        ("Patient.telecom:now", {"sliceName": "now", "min": 1}),
        ("Patient.telecom:now.period", {"max": "0"}),
    )
    old = {"system": "phone", "value": "1", "period": {"end": "2020"}}
    now = {"system": "phone", "value": "2"}
    assert codes({"resourceType": "Patient", "telecom": [old, now]}, held) == []
    assert codes({"resourceType": "Patient", "telecom": [old, old]}, held) == ["WKV803", "WKV804"]


def test_a_slice_of_extensions_by_the_url_of_their_profile():
    held = profile(
        "Patient",
        ("Patient.extension", sliced("value", "url")),
        (
            "Patient.extension:x",
            {"sliceName": "x", "min": 1, "type": [{"code": "Extension", "profile": ["http://example.org/x"]}]},
        ),
    )
    assert (
        codes({"resourceType": "Patient", "extension": [{"url": "http://example.org/x", "valueString": "y"}]}, held)
        == []
    )
    assert codes(
        {"resourceType": "Patient", "extension": [{"url": "http://example.org/y", "valueString": "y"}]}, held
    ) == ["WKV803"]


def test_a_binding_to_a_value_set_of_the_package():
    binding = {"binding": {"strength": "required", "valueSet": "http://example.org/vs|1.0"}}
    package = [
        profile("Task", ("Task.code", binding)),
        {
            "resourceType": "ValueSet",
            "url": "http://example.org/vs",
            "compose": {"include": [{"system": "http://example.org/cs"}]},
        },
        {
            "resourceType": "CodeSystem",
            "url": "http://example.org/cs",
            "concept": [{"code": "a", "concept": [{"code": "b"}]}],
        },
    ]
    loaded = load_profiles(package, always=True)
    task = {"resourceType": "Task", "status": "requested", "intent": "plan"}
    for code, expected in (("b", []), ("c", ["WKV807"])):
        concept = {"coding": [{"system": "http://example.org/cs", "code": code}]}
        assert codes({**task, "code": concept}, loaded) == expected


def test_a_package_is_laid_over_resources_that_claim_it_only():
    loaded = load_profiles([profile("Patient", ("Patient.birthDate", {"min": 1}))])
    assert codes({"resourceType": "Patient"}, loaded) == []
    assert codes({"resourceType": "Patient", "meta": {"profile": [URL + "|1.0"]}}, loaded) == ["WKV803"]


def test_a_profile_reaches_the_resources_in_a_bundle():
    held = profile("Patient", ("Patient.birthDate", {"min": 1}))
    entry = {"fullUrl": "http://example.org/fhir/Patient/a", "resource": {"resourceType": "Patient", "id": "a"}}
    found = validate({"resourceType": "Bundle", "type": "collection", "entry": [entry]}, [held])
    assert [f.position.path for f in found] == ["Bundle.entry[0].resource"]


def test_must_support_is_listed():
    loaded = load_profiles([profile("Patient", ("Patient.birthDate", {"mustSupport": True}), ("Patient.name", {}))])
    assert loaded.profiles[0].must_support == ("Patient.birthDate",)


def test_reference_targets_of_a_profile():
    target = {"type": [{"code": "Reference", "targetProfile": ["http://hl7.org/fhir/StructureDefinition/Patient"]}]}
    held = profile("Task", ("Task.for", target))
    task = {"resourceType": "Task", "status": "requested", "intent": "plan"}
    assert codes({**task, "for": {"reference": "Patient/1"}}, held) == []
    assert codes({**task, "for": {"reference": "Group/1"}}, held) == ["WKV808"]


def test_a_differential_alone_is_refused_with_the_remedy():
    with pytest.raises(WaykeeperError, match=r"has no snapshot\. Generate the snapshot"):
        load_profiles([{"resourceType": "StructureDefinition", "url": URL, "type": "Patient", "differential": {}}])


EXTENSION = {
    "resourceType": "StructureDefinition",
    "url": "http://example.org/hold",
    "type": "Extension",
    "context": [{"type": "element", "expression": "Task"}],
    "snapshot": {
        "element": [
            {"id": "Extension", "path": "Extension", "min": 0, "max": "*"},
            {"id": "Extension.extension", "path": "Extension.extension", "min": 0, "max": "*"},
            {
                "id": "Extension.extension:days",
                "path": "Extension.extension",
                "sliceName": "days",
                "min": 1,
                "max": "1",
            },
            {
                "id": "Extension.extension:days.url",
                "path": "Extension.extension.url",
                "fixedUri": "days",
                "min": 1,
                "max": "1",
            },
            {
                "id": "Extension.extension:days.value[x]",
                "path": "Extension.extension.value[x]",
                "min": 1,
                "max": "1",
                "type": [{"code": "integer"}],
            },
            {"id": "Extension.value[x]", "path": "Extension.value[x]", "min": 0, "max": "0"},
        ]
    },
}


@pytest.mark.parametrize(
    ("type_", "extension", "expected"),
    [
        ("Task", [{"url": "days", "valueInteger": 5}], []),
        ("Task", [{"url": "days", "valueString": "5"}], ["WKV702"]),
        ("Task", [{"url": "day", "valueInteger": 5}], ["WKV702", "WKV702"]),
        ("Task", [{"url": "days", "valueInteger": 5}] * 2, ["WKV702"]),
        ("Patient", [{"url": "days", "valueInteger": 5}], ["WKV701"]),
    ],
)
def test_an_extension_that_is_given_its_definition_is_checked(type_, extension, expected):
    base = (
        {"resourceType": "Task", "status": "requested", "intent": "plan"}
        if type_ == "Task"
        else {"resourceType": type_}
    )
    resource = {**base, "extension": [{"url": "http://example.org/hold", "extension": extension}]}
    assert sorted(f.code for f in validate(resource, [EXTENSION])) == expected
