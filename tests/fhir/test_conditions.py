"""A patient's number may hold what has a meaning in a search or an address: a space, a comma, a bar, an ampersand."""

from urllib.parse import parse_qsl

import pytest

from merge.small import compiled
from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.reading import patients
from waykeeper.fhir import bundle
from waykeeper.fhir.conditions import condition, token
from waykeeper.fhir.evidence import _another
from waykeeper.findings import finding
from waykeeper.plan.model import Identifier
from waykeeper.record import system_of
from waykeeper.report.plain import value_of
from waykeeper.sandbox.search import split

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


class _NoEscapes:
    """A server that takes the escapes of a search for a part of the number."""

    def __init__(self, *numbers, refusing=False):
        self.asked, self.refusing = [], refusing
        self.held = [(f"Patient/{n}", {"identifier": [{"system": MRN, "value": one}]}) for n, one in enumerate(numbers)]

    def search(self, kind, pairs, *, private, lacking=None):
        assert (kind, private) == ("Patient", True)  # a number never enters an address
        ((_, text),) = pairs
        self.asked.append(text)
        if self.refusing and len(self.asked) > 1:
            raise BadAnswerError(finding("WKX203", "several bars"), 400)
        wanted = [text.partition("|")[2], *text.split(",")[1:]]
        return [(ref, r) for ref, r in self.held if r["identifier"][0]["value"] in wanted]


@pytest.mark.parametrize("value", ["a|b", "a$b", "a\\b", "AQ-1001"])
def test_who_is_not_found_by_the_escaped_number_is_looked_for_by_the_plain_one(value):
    """She was created again with each push, and the plan was not found by any command."""
    server = _NoEscapes(value, "b")
    assert [ref for ref, _ in patients(server, Identifier(MRN, value))] == ["Patient/0"]


def test_of_nobody_one_search_more_is_made_only_where_the_number_is_escaped():
    server = _NoEscapes("b")
    assert patients(server, Identifier(MRN, "AQ-1001")) == [] and server.asked == [f"{MRN}|AQ-1001"]
    server = _NoEscapes("b", refusing=True)  # which a server may refuse
    assert patients(server, Identifier(MRN, "a|b")) == [] and server.asked == [rf"{MRN}|a\|b", f"{MRN}|a|b"]


def test_another_patient_in_whose_number_a_part_is_stays_refused():
    """Created under this condition the plan would be another person's."""
    with pytest.raises(BadAnswerError, match=r"WKX218.*Patient/1 was found, without the identifier"):
        patients(_NoEscapes("a", "b"), Identifier(MRN, "a,b"))


@pytest.mark.parametrize(
    ("name", "system", "value"),
    [
        (f"{MRN}|AQ-1001", MRN, "AQ-1001"),
        (f"{MRN}|a|b", MRN, "a|b"),  # RFC 3986: an address holds no bar, so it is the number's
        ("|AQ-1001", "", "AQ-1001"),
        ("Patient/1", "", "Patient/1"),
    ],
)
def test_a_bar_in_a_number_is_the_numbers(name, system, value):
    """Two of one site were two systems, whose patients nothing told apart; and only the end of it was shown."""
    assert (system_of(name), value_of(name)) == (system, value)
    assert _another(f"{MRN}|x|1", [f"{MRN}|y|2"]) and not _another(f"{MRN}|x|1", ["Patient/1", "other|x|2"])


@pytest.mark.parametrize(
    ("text", "parts"),
    [("a,b", ["a", "b"]), (r"a\,b", [r"a\,b"]), (r"a\\,b", [r"a\\", "b"]), ("", [""]), ("a,", ["a", ""])],
)
def test_a_backslash_that_is_escaped_itself_escapes_nothing(text, parts):
    assert split(text, ",") == parts
