"""Rules beside the published invariants: what breaks and what keeps each (rules.yaml, differs.yaml)."""

from __future__ import annotations

import pytest

from validate.rule_cases import as_text, differing_cases, rule_cases
from waykeeper.validate import load_profiles, validate, validate_json

URL = "http://example.org/StructureDefinition/p"
CASES = list(rule_cases())
DIFFERING = list(differing_cases())


@pytest.mark.parametrize(("what", "side", "text"), CASES, ids=[what for what, _, _ in CASES])
def test_the_rule_is_broken_or_kept(what, side, text):
    errors = {f.code for f in validate_json(text, stricter=False) if f.severity == "error"}
    assert errors == (set() if side == "keeps" else {what.partition(" ")[0]})


@pytest.mark.parametrize(("what", "refuses", "text"), DIFFERING, ids=[what for what, _, _ in DIFFERING])
def test_where_the_two_verdicts_part_ours_is_as_written_down(what, refuses, text):
    errors = [f for f in validate_json(text, stricter=False) if f.severity == "error"]
    assert bool(errors) == (refuses == "ours")


@pytest.mark.parametrize(
    ("system", "expected"),
    [("http://loinc.org", []), ("http://loinc.org/", ["WKV306"]), ("http://loinc.organic/", [])],
)
def test_in_a_concept_a_uri_that_only_begins_as_a_known_system_is_a_warning(system, expected):
    value = {"resourceType": "Basic", "code": {"coding": [{"system": system, "code": "x"}]}}
    text = as_text(value)
    assert [f.code for f in validate_json(text)] == expected
    assert [f.severity for f in validate_json(text)] == ["warning"] * len(expected)
    assert validate_json(text, stricter=False) == []


def test_what_an_outcome_beside_search_results_has_not_is_an_id():
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "suppressed"}]}
    entry = {"fullUrl": "urn:uuid:0b1c2d3e-0000-4000-8000-0000000000a1", "resource": outcome}
    bundle = {"resourceType": "Bundle", "type": "searchset", "entry": [entry]}
    assert [f.code for f in validate_json(as_text(bundle))] == ["WKV603"]
    entry["search"] = {"mode": "outcome"}
    assert validate_json(as_text(bundle)) == []


@pytest.mark.parametrize(
    ("claim", "expected"),
    [
        ("http://hl7.org/fhir/StructureDefinition/Patient", []),
        ("http://hl7.org/fhir/StructureDefinition/Patient|4.0.1", []),
        ("http://hl7.org/fhir/StructureDefinition/DomainResource", []),
        ("http://hl7.org/fhir/StructureDefinition/Patient|3.0.1", ["WKV812"]),
        ("http://hl7.org/fhir/StructureDefinition/vitalsigns|3.0.1", ["WKV812"]),
        ("http://hl7.org/fhir/StructureDefinition/unheard-of", ["WKV812"]),
        ("http://example.org/StructureDefinition/own", ["WKV812"]),
        ("http://hl7.org/fhir/StructureDefinition/Observation|4.0.1", ["WKV816"]),
        ("http://hl7.org/fhir/StructureDefinition/vitalsigns|4.0.1", ["WKV816"]),
    ],
)
def test_a_claim_is_checked_or_named(claim, expected):
    found = validate({"resourceType": "Patient", "meta": {"profile": [claim, claim]}})
    assert [f.code for f in found] == expected
    assert [f.severity for f in found] == ["warning" if code == "WKV812" else "error" for code in expected]


def test_a_given_profile_of_another_type_cannot_be_claimed():
    elements = [{"id": "Task", "path": "Task"}]
    given = {"resourceType": "StructureDefinition", "url": URL, "type": "Task", "snapshot": {"element": elements}}
    claim = {"resourceType": "Patient", "meta": {"profile": [URL]}}
    assert [f.code for f in validate(claim, [load_profiles([given])])] == ["WKV816"]
