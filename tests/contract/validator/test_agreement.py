"""Our verdict beside the official validator's. One fixed seed in CI; `make agreement SEED=n` runs any other.

`WAYKEEPER_FAULTS` is the number of mutants of each control (two controls a type, 146 types, half as many again at
the root, and a tenth as many bundles): 12, the default, makes more than 5,000 mutants.
"""

from __future__ import annotations

import json
import os
import sys
import time

import pytest

from contract.validator.agreement import ROOT, compare, corpus, faulty_examples, goldens
from validate.rule_cases import differing_cases, rule_cases
from waykeeper.validate import validate_json
from yaml_text import typed

SEED = int(os.environ.get("WAYKEEPER_SEED", "20260302"))
FAULTS = int(os.environ.get("WAYKEEPER_FAULTS", "12"))
LINE = 0.99

pytestmark = [pytest.mark.real_server, pytest.mark.xdist_group("java")]


def verdicts(judge, cases):
    """The official verdict on each case."""
    return judge.verdicts([text for _, text in cases])


def test_the_verdicts_agree_on_controls_and_mutants_of_every_type(judge, capsys):
    cases = corpus(SEED, FAULTS)
    if FAULTS >= 12:
        assert sum(not what.startswith("control/") for what, _ in cases) >= 5000
        assert len({what for what, _ in cases if what.startswith("control/")}) == 146
    begun = time.monotonic()
    found = compare(cases, verdicts(judge, cases))
    with capsys.disabled():
        spent = time.monotonic() - begun
        sys.stdout.write(f"\nseed {SEED}, {len(cases)} resources in {spent:.0f} s: {found}\n")
    assert found.rate >= LINE, str(found)
    refused = [text for text in found.unknown if text.startswith("ours:")]
    assert refused == [], "a resource that the official validator holds valid is refused without a known reason"


def test_no_golden_and_no_valid_example_is_refused_by_either(judge):
    cases = goldens()
    assert len(cases) > 20
    refused = []
    for (what, text), verdict in zip(cases, verdicts(judge, cases), strict=True):
        ours = [f.line() for f in validate_json(text, stricter=False) if f.severity == "error"]
        if ours or not verdict.valid:
            refused.append((what, ours, verdict.texts("error", "fatal"), verdict.exception))
    assert refused == []


def test_what_the_catalogue_calls_broken_the_official_validator_refuses(judge):
    cases = list(faulty_examples())
    assert len(cases) > 20
    accepted = [what for (what, _), v in zip(cases, verdicts(judge, cases), strict=True) if v.valid]
    assert accepted == []


def test_the_official_validator_agrees_with_the_cases_of_the_rules(judge):
    cases = list(rule_cases())
    found = judge.verdicts([text for _, _, text in cases])
    wrong = [what for (what, side, _), v in zip(cases, found, strict=True) if v.valid is not (side == "keeps")]
    assert wrong == []


def test_the_official_validator_still_differs_where_it_is_said_to(judge):
    cases = list(differing_cases())
    found = judge.verdicts([text for _, _, text in cases])
    gone = [what for (what, refuses, _), v in zip(cases, found, strict=True) if v.valid is not (refuses == "ours")]
    assert gone == []


def test_the_official_validator_agrees_with_the_cases_of_the_invariants(judge):
    cases = typed((ROOT / "tests/validate/invariants.yaml").read_text("utf-8"))
    values = [
        (f"{case['key']} {side}", side, value)
        for case in cases
        for side in ("breaks", "keeps")
        for value in case[side]
        if "resourceType" in value
    ]
    found = judge.verdicts([json.dumps(value) for _, _, value in values])
    wrong = [what for (what, side, _), v in zip(values, found, strict=True) if v.valid is (side == "breaks")]
    assert wrong == []
