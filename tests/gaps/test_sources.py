"""Every code of the room is raised by its example and not by the other one."""

from __future__ import annotations

import pytest
from hypothesis import given

from gaps.messy import bookings, law
from waykeeper.findings import catalogue
from waykeeper.gaps import check
from waykeeper.plan.model import Evidence

CODES = sorted(code for code in catalogue() if code.startswith("WKG"))


def made(example):
    return [Evidence(**{"kind": "appointment"} | e | {"patient": tuple(e["patient"])}) for e in example]


@pytest.mark.parametrize("code", CODES)
def test_examples(code):
    entry = catalogue()[code]
    assert [f.code for f in check(made(entry.raises))] == [code]
    assert check(made(entry.passes)) == ()


def test_a_finding_names_no_patient():
    for code in CODES:
        for found in check(made(catalogue()[code].raises)):
            assert "mrn" not in found.line()


@law
@given(bookings())
def test_any_evidence_gives_findings_of_the_catalogue(found):
    assert {f.code for f in check(found)} <= set(CODES)
