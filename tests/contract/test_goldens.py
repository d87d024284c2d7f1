"""The official validator accepts every bundle of the invented patients, and every plan as compiled today."""

import json
import re

import pytest

from golden.rewrite import BUNDLES, cases, compiled

pytestmark = [pytest.mark.real_server, pytest.mark.xdist_group("java")]

# Code systems that the official validator does not hold; everything else that it warns of is a fault of ours.
NOT_HELD = re.compile(
    r"(CodeSystem is unknown and can't be validated: |because codeSystem ')"
    r"(http://www\.nlm\.nih\.gov/research/umls/rxnorm|http://loinc\.org|http://snomed\.info/sct|"
    r"http://hl7\.org/fhir/sid/icd-10-cm|http://www\.cms\.gov/Medicare/Coding/ICD10|"
    r"https://alder-quay\.example/codes/)"
)
# The validator's own note on UCUM annotations ({INR}, {score}): advice about a unit that UCUM allows.
ADVICE = re.compile(r"UCUM|annotation", re.IGNORECASE)
FILES = sorted(f for f in BUNDLES.glob("*/*.bundle.json"))


def unexplained(verdict):
    """Errors and warnings that are not about a code system that the validator does not hold."""
    return [t for t in verdict.texts("error", "fatal", "warning") if not NOT_HELD.search(t) and not ADVICE.search(t)]


@pytest.mark.parametrize("file", FILES, ids=lambda f: f"{f.parent.name}/{f.name}")
def test_the_official_validator_accepts_a_golden(judge, file):
    verdict = judge.verdicts([json.loads(file.read_text("utf-8"))])[0]
    assert verdict.valid is True, verdict.texts("error", "fatal")
    assert unexplained(verdict) == []


def test_the_official_validator_accepts_a_plan_compiled_now(judge):
    name = "many-medicines"
    verdict = judge.verdicts([compiled(name, cases()[name]).bundle])[0]
    assert verdict.valid is True, verdict.texts("error", "fatal")
    assert unexplained(verdict) == []


def test_every_case_has_its_three_files():
    missing = [
        f"{name}/{file}"
        for name in cases()
        for file in ("record.bundle.json", "plan.bundle.json", "bookings.bundle.json")
        if not (BUNDLES / name / file).exists()
    ]
    assert missing == []
