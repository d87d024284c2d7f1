"""Rules beside the published invariants: what breaks each and what keeps it (rules.yaml names the sources)."""

from __future__ import annotations

import pytest

from validate.rule_cases import as_text, rule_cases
from waykeeper.validate import validate_json

CASES = list(rule_cases())


@pytest.mark.parametrize(("what", "side", "text"), CASES, ids=[what for what, _, _ in CASES])
def test_the_rule_is_broken_or_kept(what, side, text):
    errors = [f.code for f in validate_json(text, stricter=False) if f.severity == "error"]
    assert errors == ([] if side == "keeps" else [what.partition(" ")[0]])


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
