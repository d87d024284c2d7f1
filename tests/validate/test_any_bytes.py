"""Any bytes and any JSON give findings, never a traceback."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from waykeeper.findings import Finding
from waykeeper.validate import validate, validate_json
from waykeeper.validate.tables import resource_types, type_record

NAMES = sorted({e["n"] for t in ("Bundle", "Task", "Patient", "Observation", "Extension", "Reference", "Meta", "Narrative", "Timing", "Quantity", "Questionnaire", "Coding", "Period") for n in type_record(t)["nodes"].values() for e in n["e"]})  # fmt: skip  # noqa: E501
SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8),
    st.sampled_from(["#", "#a", "urn:uuid:x", "Patient/1", "2026-01-01", "transaction", "display", "text", "http://x"]),
)  # fmt: skip
JSON = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.one_of(st.sampled_from(NAMES), st.text(max_size=4)), inner, max_size=5),
    ),
    max_leaves=25,
)


def is_list_of_findings(found: object) -> bool:
    """A list of findings, each with a position."""
    return isinstance(found, list) and all(isinstance(f, Finding) and f.details for f in found)


settings.register_profile("validate", deadline=None, max_examples=examples(60))
settings.load_profile("validate")


@given(st.binary(max_size=200))
def test_any_bytes(data):
    assert is_list_of_findings(validate_json(data))


@given(st.text(max_size=100))
def test_any_text(text):
    found = validate_json(text)
    assert is_list_of_findings(found)
    assert found, "no text of 100 characters is a valid resource without a type"


@given(st.sampled_from(sorted(resource_types())), st.dictionaries(st.sampled_from(NAMES), JSON, max_size=6))
def test_any_resource_by_dict_and_by_text(name, body):
    resource = {"resourceType": name, **body}
    by_dict = validate(resource)
    assert is_list_of_findings(by_dict)
    text = json.dumps(resource)
    by_text = validate_json(text)
    assert is_list_of_findings(by_text)
    if "NaN" not in text and "Infinity" not in text:
        assert {(f.code, f.position.path) for f in by_dict} == {(f.code, f.position.path) for f in by_text}


@given(JSON)
def test_any_value_in_place_of_a_resource(value):
    assert is_list_of_findings(validate(value))


@given(st.data())
def test_any_value_in_place_of_any_part_of_a_bundle(data):
    task = {
        "resourceType": "Task", "id": "t", "status": "requested", "intent": "plan", "for": {"reference": "#p"},
        "contained": [{"resourceType": "Patient", "id": "p"}], "authoredOn": "2026-01-01",
        "restriction": {"period": {"start": "2026-01-01", "end": "2026-01-02"}},
        "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">t</div>'},
    }  # fmt: skip
    entry = {"fullUrl": "http://example.org/Task/t", "resource": task, "request": {"method": "PUT", "url": "Task/t"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    places = list(_places(bundle))
    holder, key = data.draw(st.sampled_from(places))
    holder[key] = data.draw(JSON)
    assert is_list_of_findings(validate(bundle))


def _places(value):
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    for key, below in list(pairs):
        yield value, key
        if isinstance(below, dict | list):
            yield from _places(below)


DEEP = 100_000


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("[" * DEEP, "WKV005"),
        ('{"a":' * DEEP, "WKV005"),
        ('{"resourceType":"Task"' + ',"extension":[{"url":"http://example.org/x"' * 130 + "}]" * 130 + "}", "WKV005"),
        ('{"resourceType":"Task"' + ',"extension":[{"url":"http://example.org/x"' * 400 + "}]" * 400 + "}", "WKV005"),
        ('{"resourceType":"Patient","multipleBirthInteger":' + "9" * 5000 + "}", "WKV006"),
        ('{"resourceType":"Observation","valueQuantity":{"value":1e999999999}}', "WKV102"),
        ('{"resourceType":"Patient","id":"' + "a" * 100_000 + '"}', "WKV202"),
        ('{"resourceType":"Patient","birthDate":"' + "2026-01-" * 10_000 + '"}', "WKV202"),
        ('{"resourceType":"Patient","language":"' + "a-" * 50_000 + '"}', "WKV301"),
        ('{"resourceType":"Patient","photo":[{"contentType":"a/b","data":"' + "=" * 100_001 + '"}]}', "WKV202"),
    ],
    ids=["lists", "objects", "deep", "deeper", "digits", "exponent", "long id", "long date", "long language", "base64"],
)
def test_hostile_texts_are_answered(text, code):
    assert code in {f.code for f in validate_json(text)}


def test_a_million_entries_are_answered_with_a_bounded_number_of_findings():
    text = '{"resourceType":"Patient","name":[' + ",".join(["1"] * 1_000_000) + "]}"
    found = validate_json(text)
    assert 0 < len(found) <= 10_000


def test_a_dict_that_is_nested_too_deeply_is_answered():
    value: dict = {}
    for _ in range(5000):
        value = {"extension": [value], "url": "http://example.org/x"}
    found = validate({"resourceType": "Patient", "extension": [value]})
    assert "WKV005" in {f.code for f in found}


def _patient(**elements):
    return {"resourceType": "Patient", **elements}


def _narrative(div):
    return _patient(text={"status": "generated", "div": div})


def _quantity(code):
    quantity = {"value": 1, "system": "http://unitsofmeasure.org", "code": code}
    return {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "valueQuantity": quantity}


XHTML = '<div xmlns="http://www.w3.org/1999/xhtml">'
LAUGHS = "".join(f'<!ENTITY {chr(98 + n)} "{("&" + chr(97 + n) + ";") * 10}">' for n in range(12))


@pytest.mark.parametrize(
    ("resource", "codes"),
    [
        (_narrative(f'<!DOCTYPE d [<!ENTITY a "ha">{LAUGHS}]>{XHTML}&m;</div>'), {"WKV206"}),
        (_narrative(XHTML + "<b>" * 50_000 + "x" + "</b>" * 50_000 + "</div>"), set()),
        (_narrative(XHTML[:-1] + "".join(f' a{n}="x"' for n in range(20_000)) + ">x</div>"), {"WKV206"}),
        (_quantity("(" * 200_000), {"WKV302"}),
        (_quantity("a" * 200_000), {"WKV302"}),
        (_patient(implicitRules="urn:oid:1" + ".1" * 200_000), set()),
        (_patient(meta={"lastUpdated": "2026-01-01T00:00:00." + "0" * 500_000}), {"WKV202"}),
        (_patient(contained=[_patient(id=f"c{n}") for n in range(20_000)]), {"WKV401"}),
        (
            _patient(
                contained=[_patient(id=f"c{n}") for n in range(5000)],
                link=[{"type": "seealso", "other": {"reference": f"#c{n}"}} for n in range(5000)],
            ),
            set(),
        ),
        (_patient(**{f"a{n}": 1 for n in range(50_000)}), {"WKV101"}),
        (_patient(extension=[{"url": "http://example.org/x", "valueString": "y"}] * 50_000), {"WKV704"}),
    ],
    ids=[
        "entities",
        "deep XHTML",
        "attributes",
        "brackets",
        "long unit",
        "long OID",
        "long fraction",
        "contained",
        "local references",
        "unknown elements",
        "extensions",
    ],
)
def test_what_could_take_forever_does_not(resource, codes):
    """Each of these once grew with the square of its size, or would where a regular expression goes back."""
    found = validate(resource)
    assert {f.code for f in found} == codes
    assert len(found) <= 10_000
