"""The reports of `validate`: text, JSON, annotations, JUnit XML, SARIF 2.1.0, OperationOutcome, baseline."""

from __future__ import annotations

import json
from xml.etree import ElementTree as ET

import pytest

from waykeeper.report import validation
from waykeeper.validate import check_json, validate

BAD = '{"resourceType":"Task",\n"id":"t","status":"banana","intent":"plan","extension":[{"url":"http://x.example","valueString":"y"}]}'
GOOD = '{"resourceType":"Patient","id":"p"}'
CHECKED = [check_json(BAD, file="a b.json"), check_json(GOOD, file="p.json"), check_json(b"\x00<&\xff", file="c.json")]


def test_text_has_one_line_a_finding():
    lines = validation.text(CHECKED).splitlines()
    assert [line.split(":", 4)[0] for line in lines] == ["a b.json", "a b.json", "c.json"]
    assert lines[0].startswith("a b.json:2:10: WKV301 error: code 'banana'")


def test_json_has_file_line_type_id_valid_and_findings():
    document = json.loads(validation.stdout_text(CHECKED, "json"))
    first, second, third = document["resources"]
    assert {k: first[k] for k in ("file", "type", "id", "valid")} == {
        "file": "a b.json",
        "type": "Task",
        "id": "t",
        "valid": False,
    }
    told = {"file": "p.json", "line": 0, "type": "Patient", "id": "p"}
    assert second == {**told, "valid": True, "unchecked": 0, "findings": []}
    assert first["findings"][0]["family"] == "the specification"
    assert third["valid"] is False


@pytest.mark.parametrize(
    ("claim", "gender", "valid", "unchecked"),
    [
        ("http://example.org/p", "female", None, 1),
        ("http://example.org/p", "banana", False, 1),
        ("http://hl7.org/fhir/StructureDefinition/Patient", "female", True, 0),
    ],
)
def test_json_says_no_more_than_was_checked(claim, gender, valid, unchecked):
    value = {"resourceType": "Patient", "gender": gender, "meta": {"profile": [claim]}}
    (told,) = json.loads(validation.as_json([check_json(json.dumps(value))]))["resources"]
    assert (told["valid"], told["unchecked"]) == (valid, unchecked)


def test_annotations_name_file_line_and_column():
    assert validation.github(CHECKED).startswith("::error file=a b.json,line=2,col=10,title=WKV301::")


def test_junit_has_a_case_a_resource():
    root = ET.fromstring(validation.junit(CHECKED))
    assert (root.get("tests"), root.get("failures")) == ("3", "2")
    assert [case.get("name") for case in root.iter("testcase")] == ["Task/t", "Patient/p", "no resource"]
    assert [f.get("type") for f in root.iter("failure")] == ["WKV301", "WKV002"]
    assert "WKV704" in root.find(".//system-out").text


def test_junit_can_hold_what_xml_can_not():
    text = '{"resourceType":"Patient","gender":"\\u0001\\ud800<&>"}'
    assert ET.fromstring(validation.junit([check_json(text, file="\x02.json")])) is not None


def test_sarif_has_the_shape_of_2_1_0():
    """SARIF 2.1.0 (OASIS), sections 3.13, 3.14, 3.19, 3.27, 3.28, 3.49."""
    document = json.loads(validation.sarif(CHECKED))
    assert document["version"] == "2.1.0"
    (run,) = document["runs"]
    rules = run["tool"]["driver"]["rules"]
    assert [r["id"] for r in rules] == sorted({r["ruleId"] for r in run["results"]})
    for result in run["results"]:
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"]
        assert result["level"] in ("error", "warning", "note")
        assert result["message"]["text"]
        location = result["locations"][0]["physicalLocation"]
        assert " " not in location["artifactLocation"]["uri"]
        region = location.get("region", {"startLine": 1, "startColumn": 1})
        assert region["startLine"] >= 1
        assert region["startColumn"] >= 1
    assert run["results"][0]["locations"][0]["logicalLocations"][0]["fullyQualifiedName"] == "Task.status"


@pytest.mark.parametrize("checked", [CHECKED[:1], CHECKED[1:2], CHECKED[2:]], ids=["faults", "none", "no json"])
def test_the_operation_outcome_is_valid_fhir_itself(checked):
    outcome = validation.operation_outcome(validation.findings_of(checked))
    assert [f for f in validate(outcome) if f.severity == "error"] == []
    assert len(outcome["issue"]) == max(1, len(checked[0].findings))


def test_every_code_of_the_validator_has_an_issue_type():
    from waykeeper.findings import catalogue, finding

    for code in catalogue():
        if code.startswith("WKV"):
            outcome = validation.operation_outcome([finding(code, "x")])
            assert outcome["issue"][0]["code"] != "processing"


def tally(checked):
    """What the last line of the command says of them."""
    counted = validation.Tally()
    for one in checked:
        counted.add(one)
    return str(counted)


def test_a_baseline_accepts_what_is_known_and_nothing_more():
    first = validation.Sieve({})
    assert first.sift(CHECKED[0]) == CHECKED[0]
    again = validation.Sieve(first.baseline)
    assert [again.sift(one).valid for one in (CHECKED[0], CHECKED[0])] == [True, False]
    assert (again.covered, again.gone) == (2, 0)
    assert again.baseline == dict.fromkeys(first.baseline, 2)


def test_a_baseline_says_what_of_it_did_not_occur():
    sieve = validation.Sieve({"WKV301 gone.json Task.status": 3})
    sieve.sift(CHECKED[0])
    assert (sieve.covered, sieve.gone) == (0, 3)


def test_the_tally_counts():
    assert tally(CHECKED) == "3 resources: 2 errors, 1 warning"
    assert tally(CHECKED[1:2]) == "1 resource: no findings"
