"""The pytest plugin prints findings well and passes what is valid."""

from __future__ import annotations

import pytest

from waykeeper.validate.pytest_plugin import assert_valid_fhir


def test_a_valid_resource_passes_and_its_warnings_come_back():
    found = assert_valid_fhir(
        {"resourceType": "Patient", "extension": [{"url": "http://x.example", "valueString": "y"}]}
    )
    assert [f.code for f in found] == ["WKV704"]


def test_an_invalid_resource_fails_with_one_line_a_finding():
    with pytest.raises(pytest.fail.Exception) as failed:
        assert_valid_fhir({"resourceType": "Patient", "gender": "x", "active": "yes"})
    lines = str(failed.value).splitlines()
    assert lines[0] == "Patient is not valid FHIR R4:"
    assert len(lines) == 3
    assert "WKV301" in lines[1]


def test_warnings_can_be_made_to_count():
    resource = {"resourceType": "Patient", "extension": [{"url": "http://x.example", "valueString": "y"}]}
    with pytest.raises(pytest.fail.Exception):
        assert_valid_fhir(resource, warnings=True)
    assert assert_valid_fhir(resource, stricter=False, warnings=True) == []
