"""Findings on a text name file, line and column of the key (in an object) or of the value (in a list)."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waykeeper.validate import check_json, validate_json, validate_ndjson
from waykeeper.validate.positions import PositionIndex

TEXT = """{
  "resourceType": "Bundle",
  "type": "collection",
  "entry": [
    {"fullUrl": "http://example.org/fhir/Patient/a", "resource": {"resourceType": "Patient", "id": "a"}},
    {
      "fullUrl": "http://example.org/fhir/Task/t",
      "resource": {
        "resourceType": "Task", "id": "t", "note": [{"text": "a \\"quoted\\" [brace} {"}],
        "status": "banana",
        "intent": "plan"
      }
    }
  ]
}
"""


def places(text, **options):
    """`line:column code` of each finding."""
    return [f"{f.position.line}:{f.position.column} {f.code}" for f in validate_json(text, **options)]


def test_a_finding_names_the_line_and_column_of_its_key():
    found = validate_json(TEXT, file="plan.json")
    assert [f.line().partition(" error")[0] for f in found] == ["plan.json:10:9: WKV301"]
    assert found[0].position.path == "Bundle.entry[1].resource.status"


def test_a_missing_element_is_placed_at_its_object():
    text = TEXT.replace('"status": "banana",\n', "")
    assert places(text) == ["8:7 WKV102"]


def test_a_syntax_error_is_placed_where_reading_stopped():
    assert places('{\n  "resourceType": "Task",\n}') == ["2:25 WKV001"] or places(
        '{\n  "resourceType": "Task",\n}'
    ) == ["3:1 WKV001"]


def test_a_duplicate_key_is_placed_at_its_second_mention():
    assert places('{"resourceType": "Patient",\n "active": true,\n "active": false}') == ["3:2 WKV004"]


DEEP = b"[" * 10_000 + b"]" * 10_000
FAULTS = {
    "NaN behind a text that says it": (b'{"a": "NaN",\n "x": NaN}', 2, 7, "WKV006", "NaN is no JSON number"),
    "a number without end": (b'{\n"x": ' + b"9" * 5000 + b"}", 2, 6, "WKV006", "too many digits"),
    "a bracket too deep": (DEEP, 1, 251, "WKV005", "nested deeper than 250"),
    "a byte of another encoding": ('{\n"é": "ü"}'.encode() + b"\xfc", 2, 10, "WKV002", "is not UTF-8"),
    "UTF-16": ("{}".encode("utf-16"), 0, 0, "WKV002", "the text is UTF-16. Save the file as UTF-8"),
    "UTF-16 without its mark": ("{}".encode("utf-16-le"), 0, 0, "WKV002", "the text is UTF-16. Save the file as UTF-8"),
    "packed": (b"\x1f\x8b\x08\x00", 0, 0, "WKV002", "are packed (gzip). Unpack it, or give it a name that ends in .gz"),
    "XML": (b"<Patient/>", 1, 1, "WKV001", "it looks like XML. Only JSON is read"),
    "two resources": (
        b"{}\n{}",
        2,
        1,
        "WKV001",
        "more text follows the resource. Take it away; for a resource",
    ),
    "nothing": (b"", 0, 0, "WKV001", "nothing is in it. Give a file with a resource"),
}


@pytest.mark.parametrize(("data", "line", "column", "code", "said"), FAULTS.values(), ids=FAULTS)
def test_a_text_that_cannot_be_read_is_placed_and_says_what_helps(data, line, column, code, said):
    (found,) = validate_json(data)
    assert (found.position.line, found.position.column, found.code) == (line, column, code)
    assert said in found.sentence()


def test_a_name_that_no_output_could_hold_is_escaped():
    found = validate_json('{"resourceType": "Patient", "a\\ud800\\n b": 1}')
    assert found[0].position.path == r"Patient.a\ud800\n b"
    found[0].line().encode()


def test_lines_of_ndjson_are_counted_and_blank_ones_skipped():
    lines = ['{"resourceType":"Patient"}', "", '{"resourceType":"Patient","gender":"x"}', "{"]
    checked = list(validate_ndjson(lines, file="all.ndjson"))
    assert [(c.line, c.type, c.valid) for c in checked] == [(1, "Patient", True), (3, "Patient", False), (4, "", False)]
    assert [f.position.line for c in checked for f in c.findings] == [3, 4]


def test_a_checked_resource_says_what_it_is():
    checked = check_json('{"resourceType":"Patient","id":"a"}', file="a.json")
    assert (checked.file, checked.type, checked.id, checked.valid, checked.findings) == (
        "a.json",
        "Patient",
        "a",
        True,
        (),
    )


VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=6)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=4), inner, max_size=3)),
    max_leaves=12,
)


def every_path(value, path=()):
    """The path of each part of a JSON value."""
    yield path
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, below in pairs:
        yield from every_path(below, (*path, key))


@given(VALUES, st.sampled_from([None, 1]))
def test_the_index_finds_every_part_of_any_json(value, indent):
    text = json.dumps(value, indent=indent)
    wanted = set(every_path(value))
    offsets = PositionIndex(text).offsets(wanted)
    assert set(offsets) == wanted
    for path, offset in offsets.items():
        if path and isinstance(path[-1], str):
            assert text[offset:].startswith(json.dumps(path[-1]))
