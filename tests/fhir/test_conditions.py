"""A patient's number may hold what has a meaning in a search or an address: a space, a comma, a bar, an ampersand."""

from urllib.parse import parse_qsl

import pytest

from merge.small import compiled
from waykeeper.fhir import bundle
from waykeeper.fhir.conditions import condition, token
from waykeeper.plan.model import Identifier

MRN = "https://alder-quay.example/mrn"


@pytest.mark.parametrize(
    ("value", "escaped"),
    [
        ("AQ-1001", "AQ-1001"),
        ("943 476 5919", "943 476 5919"),
        ("12,34", r"12\,34"),
        ("a|b", r"a\|b"),
        ("a$b", r"a\$b"),
        ("a\\b", r"a\\b"),
        ("A&B=1+2%", "A&B=1+2%"),
        ("Ünï#1", "Ünï#1"),
    ],
)
def test_what_means_something_is_escaped_and_the_address_is_encoded(value, escaped):
    """Escaping: FHIR R4, search, 3.1.1.3."""
    assert token(MRN, value) == f"{MRN}|{escaped}"
    said = condition(MRN, value)
    assert parse_qsl(said, strict_parsing=True) == [("identifier", f"{MRN}|{escaped}")]
    assert said.isascii() and " " not in said
    first = bundle(compiled(Identifier(MRN, value)))["entry"][0]
    assert first["resource"]["resourceType"] == "Patient" and first["request"]["ifNoneExist"] == said


def test_what_means_nothing_stays_as_it_is():
    assert condition(MRN, "AQ-1001") == f"identifier={MRN}|AQ-1001"
