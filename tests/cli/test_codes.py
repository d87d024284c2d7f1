"""Every code of this room: its example, a command line, raises it; its counter-example does not."""

from __future__ import annotations

import re
import shlex

import pytest

from cli import case_files as bench
from waykeeper.cli.commands import pathways as listing
from waykeeper.cli.main import main
from waykeeper.findings import catalogue

CODES = {code: entry for code, entry in catalogue().items() if re.match("WKC[^9]", code)}
PLAN = {"library": "bundles/demo-left/plan.bundle.json"}
RECORD = {"library": "bundles/demo-left/record.bundle.json"}
PATIENT = '"resourceType": "Patient",'
ROOT = "urn:uuid:1c822f44-4f8f-578c-9882-38162b7e"  # of the plan's own CarePlan, but for its end
FILES = {
    "plan.json": PLAN,
    "record.json": RECORD,
    "done/plan.json": PLAN,
    "done/record.json": RECORD,
    "done/bookings.json": {"library": "bundles/demo-left/bookings.bundle.json"},
    "other.yaml": {
        "library": "pathways/total-ankle-replacement.yaml",
        "replace": {"pathways/total-ankle-replacement\n": "pathways/other\n"},
    },
    "copy.json": {**PLAN, "replace": {f'"fullUrl": "{ROOT}c888"': f'"fullUrl": "{ROOT}0000"'}},
    "visits.json": {"bundle_of": ["bundles/demo-left/plan.bundle.json"], "exported_without": ["Task"]},
    "held-back.json": {
        "json": {
            "resourceType": "OperationOutcome",
            "issue": [{"severity": "warning", "code": "suppressed", "diagnostics": "two visits are held back"}],
        }
    },
    "empty.json": "",
    "number.json": "1",
    "died.json": {**RECORD, "replace": {PATIENT: f'{PATIENT} "deceasedBoolean": true,'}},
    "old/001-letter.html": "an earlier letter",
    "french.json": {**PLAN, "replace": {'"code": "en"': '"code": "fr"'}},
}


def raised(line: str, monkeypatch, capsys) -> set[str]:
    """The codes on standard error of a command line as a shell would read it."""
    words = shlex.split(line)
    while "=" in words[0]:
        monkeypatch.setenv(*words.pop(0).split("=", 1))
    assert words.pop(0) == "waykeeper"
    main(words)
    return set(re.findall(r"\bWK[A-Z]\d{3}\b", capsys.readouterr().err))


@pytest.mark.parametrize("code", sorted(CODES))
def test_examples(code, tmp_path, monkeypatch, capsys):
    bench.lay_out({"files": FILES}, tmp_path)
    monkeypatch.chdir(tmp_path)
    assert code in raised(CODES[code].raises, monkeypatch, capsys)
    assert code not in raised(CODES[code].passes, monkeypatch, capsys)


def test_a_fault_is_one_line_and_a_traceback_only_with_debug(monkeypatch, capsys):
    def fail(*_):
        raise LookupError("Maren Wintergale")

    monkeypatch.setattr(listing, "put", fail)
    assert main(["pathways"]) == 2
    assert capsys.readouterr().err.startswith("WKC901 error: LookupError in Waykeeper itself. ")
    assert main(["pathways"]) == 2
    assert "Maren" not in capsys.readouterr().err
    assert main(["--debug", "pathways"]) == 2
    assert "Traceback" in capsys.readouterr().err


def test_want_of_memory_is_no_fault_of_ours(monkeypatch, capsys):
    def fail(*_):
        raise MemoryError

    monkeypatch.setattr(listing, "put", fail)
    assert main(["pathways"]) == 2
    assert capsys.readouterr().err.startswith("WKC902 error: the system gave no more memory. ")


def test_every_code_of_the_room_is_met_by_a_case():
    said = " ".join(str(case.said) for case in bench.cases())
    assert {code for code in CODES if code not in said} == set()
