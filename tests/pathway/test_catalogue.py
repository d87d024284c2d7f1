"""Every code of the room is raised by its example and not by the other one, which has no fault at all."""

import pytest

from pathway.frame import run
from waykeeper.findings import catalogue

CODES = [e for e in catalogue().values() if e.code.startswith("WKP")]


@pytest.mark.parametrize("entry", CODES, ids=lambda e: e.code)
def test_the_example_raises_the_code_and_only_the_code(entry):
    codes = [f.code for f in run(entry.raises)]
    assert codes
    assert set(codes) == {entry.code}


@pytest.mark.parametrize("entry", CODES, ids=lambda e: e.code)
def test_the_other_example_passes(entry):
    assert [f.line() for f in run(entry.passes)] == []


@pytest.mark.parametrize("entry", CODES, ids=lambda e: e.code)
def test_a_finding_says_what_how_to_mend_and_where(entry):
    for found in run(entry.raises):
        assert found.severity == entry.severity
        assert found.details[0] == found.details[0].lower() or found.details.startswith("FHIR")
        assert not found.details.endswith(".")
        assert found.help
        assert found.position.line or entry.code == "WKP606"
