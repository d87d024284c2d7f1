"""What is said of FHIRPath that does not parse names what stands there, never the tokens of the grammar."""

from __future__ import annotations

import re

import pytest

from waykeeper.findings.syntax import in_words
from waykeeper.pathway.expressions import _problems


@pytest.mark.parametrize(("text", "said"), [
    ("Condition.where(code.exists(", "it ends where more must follow"),
    ("((", "it ends where more must follow"),
    ("Condition.where(code.exists() and)", "')' cannot stand here"),
    ("Condition where", "'where' cannot stand here"),
    ("Condition.where(code = 'x)", "\"'x)\" is never closed"),
    ("Condition.code ; 5", "';' is no sign of it"),
    ("Condition.where(code.exists()", "')' is missing at the end"),
])  # fmt: skip
def test_a_fault_of_fhirpath_is_said_in_words(text, said):
    (problem, *_) = _problems(text)
    assert problem[0] == "WKP413" and problem[2] == f"not FHIRPath: {said}"


@pytest.mark.parametrize(
    "text", ["(", ")", "a.", ".a", "a..b", "a b", "a(", "%", "@x", "{1}", "1 +", "a[", "a]", "a,b", "iif(", "'", "`a"]
)
def test_no_fault_shows_the_grammar(text):
    for _, _, details, _ in _problems(text):
        assert (
            "expecting" not in details
            and "EOF" not in details
            and not re.search(r"[A-Z]{5,}", details.replace("FHIR", ""))
        )


def test_what_is_no_message_of_the_parser_stands_as_it_is():
    assert in_words("nested too deep") == "nested too deep"
    assert in_words("missing ')' at '<EOF>'") == "')' is missing at the end"
    assert in_words("missing ')' at 'and'") == "')' is missing before 'and'"
