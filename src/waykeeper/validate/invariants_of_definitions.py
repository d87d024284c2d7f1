"""Hand-written tests of the invariants of definitions, as in `invariants_by_hand`.

A StructureDefinition has hundreds of elements with two dozen invariants each, and a value set thousands of concepts.
"""

from __future__ import annotations

import re
from typing import Any

from waykeeper.validate.invariants_by_hand import Test, Value, chosen, distinct, has, needs, not_both, one_of, rows
from waykeeper.validate.run import Run
from waykeeper.validate.terminology import value_set

_WHOLE = re.compile(r"-?\d+", re.ASCII).fullmatch
_SLICE_NAME = re.compile(r"^[a-zA-Z0-9/\-_\[\]@]+$").search
# The official validator anchors these two, which match anywhere as published.
_PART = r"[^\s.,:;'\"/|?!@#$%&*()\[\]{}]{1,64}"
_PATH = re.compile(rf"^{_PART}(\.{_PART}(\[x\])?(:[^\s.]+)?)*$").search
_PLAIN_PATH = re.compile(r"^[A-Za-z][A-Za-z0-9]*(\.[a-z][A-Za-z0-9]*(\[x])?)*$").search
_SYSTEM_TYPE = r"^http://hl7\.org/fhirpath/System\.[A-Z][A-Za-z]+$"
_CODE_OF_DIFFERENTIAL = re.compile(rf"^[a-zA-Z0-9]+$|{_SYSTEM_TYPE}").search
_CODE_OF_SNAPSHOT = re.compile(rf"^[a-zA-Z0-9.]+$|{_SYSTEM_TYPE}").search

_CHOICES_OF_ELEMENT = ("defaultValue", "fixed", "pattern", "minValue", "maxValue")


def _text(value: Value, name: str) -> str:
    held = value.get(name)
    return held if isinstance(held, str) else ""


def _integer(text: Any) -> int | None:
    return int(text) if isinstance(text, str) and _WHOLE(text) else None


def _eld_2(value: Value, _run: Run) -> bool:
    if "min" not in value or value.get("max", "*") == "*":
        return True
    least, most = value["min"], _integer(value["max"])
    return isinstance(least, int) and most is not None and least <= most


def _eld_3(value: Any, _run: Run) -> bool:
    return value == "*" or ((most := _integer(value)) is not None and most >= 0)


def _eld_5(value: Value, _run: Run) -> bool:
    if not has(value, "contentReference"):
        return True
    return not has(value, "type", "example", "maxLength", "binding") and not any(
        chosen(value, stem) for stem in _CHOICES_OF_ELEMENT
    )


def _one_type_beside(stem: str) -> Test:
    return lambda value, _run: not chosen(value, stem) or len(rows(value, "type")) <= 1


def _eld_12(value: Value, _run: Run) -> bool:
    return not has(value, "valueSet") or _text(value, "valueSet").startswith(("http:", "https", "urn:"))


def _of_reference(name: str) -> Test:
    return lambda value, _run: value.get("code") in ("Reference", "canonical") or not has(value, name)


def _given(value: Any, name: str) -> list[Any]:
    return [row[name] for row in value if row.get(name) is not None]


def _is_distinct(rows_of: str, name: str) -> Test:
    return lambda value, _run: distinct(_given(rows(value, rows_of), name))


def _elements(value: Value, view: str) -> list[Any]:
    return rows(value.get(view), "element")


def _both(value: Value) -> list[Any]:
    return _elements(value, "snapshot") + _elements(value, "differential")


def _of_root(elements: list[Any]) -> list[Any]:
    return [e for e in elements if isinstance(e.get("path"), str) and "." not in e["path"]]


def _path(elements: list[Any]) -> str:
    return _text(elements[0], "path") if elements else ""


def _codes(elements: list[Any]) -> list[str]:
    return [code for e in elements for code in _given(rows(e, "type"), "code")]


def _logical(value: Value) -> bool:
    return value.get("kind") == "logical"


def _named_by_id(view: str) -> Test:
    def test(value: Value, _run: Run) -> bool:
        elements = _elements(value, view)
        return all(has(e, "id") for e in elements) and distinct(_given(elements, "id"))

    return test


def _each_has(*names: str) -> Test:
    """Every element of the view has all of the names."""
    return lambda value, _run: all(has(e, name) for e in rows(value, "element") for name in names)


def _sdf_8(value: Value, run: Run) -> bool:
    elements = rows(value, "element")
    first = _path(elements)
    start = f"{_path(_elements(run.resource, 'snapshot'))}."
    named = _logical(run.resource) or (first != "" and first == run.resource.get("type"))
    return named and all(_text(e, "path").startswith(start) for e in elements[1:])


def _sdf_8a(value: Value, run: Run) -> bool:
    elements = rows(value, "element")
    kind = run.resource.get("type")
    start = _path(_elements(run.resource, "differential")).partition(".")[0] + "."
    named = _logical(run.resource) or (isinstance(kind, str) and bool(elements) and _path(elements).startswith(kind))
    return named and all(_text(e, "path").startswith(start) for e in elements[1:])


def _sdf_9(value: Value, _run: Run) -> bool:
    return not any(has(e, "label", "code", "requirements") for e in _of_root(_both(value)))


def _sdf_11(value: Value, _run: Run) -> bool:
    if _logical(value) or not has(value, "snapshot"):
        return True
    first = _path(_elements(value, "snapshot"))
    return first != "" and first == value.get("type")


def _sdf_15(value: Value, _run: Run) -> bool:
    return _logical(value) or not any(has(e, "type") for e in _elements(value, "snapshot")[:1])


def _sdf_15a(value: Value, _run: Run) -> bool:
    first = _elements(value, "differential")[:1]
    return _logical(value) or "." in _path(first) or not any(has(e, "type") for e in first)


def _published(value: Value) -> bool:
    return _text(value, "url").startswith("http://hl7.org/fhir/StructureDefinition")


def _sdf_19(value: Value, _run: Run) -> bool:
    if not _published(value):
        return True
    return all(map(_CODE_OF_DIFFERENTIAL, _codes(_elements(value, "differential")))) and all(
        map(_CODE_OF_SNAPSHOT, _codes(_elements(value, "snapshot")))
    )


def _sdf_21(value: Value, _run: Run) -> bool:
    given = any(chosen(e, "defaultValue") for e in _elements(value, "differential"))
    return not given or value.get("derivation") == "specialization"


def _sdf_22(value: Value, _run: Run) -> bool:
    return not _published(value) or not any(chosen(e, "defaultValue") for e in _both(value))


def _concept_codes(value: Any) -> list[Any]:
    """The codes of every `concept` at any depth."""
    found: list[Any] = []
    todo = [value]
    while todo:
        held = todo.pop()
        if isinstance(held, dict):
            found += _given(rows(held, "concept"), "code")
            todo += held.values()
        elif isinstance(held, list):
            todo += held
    return found


def _opd_3(value: Value, _run: Run) -> bool:
    # As the official validator repairs it: a parameter that is a resource may state its profile too.
    return not has(value, "targetProfile") or value.get("type") in {"Reference", "canonical", *_resource_types()}


def _resource_types() -> frozenset[str]:
    return value_set("http://hl7.org/fhir/ValueSet/resource-types").codes or frozenset()


def _cmd_1(value: Value, _run: Run) -> bool:
    return has(value, "comment") or value.get("equivalence") not in ("narrower", "inexact")


OF_DEFINITIONS: dict[str, Test] = {
    "eld-1": one_of("discriminator", "description"),
    "eld-2": _eld_2,
    "eld-3": _eld_3,
    "eld-4": _of_reference("aggregation"),
    "eld-5": _eld_5,
    "eld-6": _one_type_beside("fixed"),
    "eld-7": _one_type_beside("pattern"),
    "eld-8": lambda value, _run: not (chosen(value, "pattern") and chosen(value, "fixed")),
    "eld-11": lambda _value, _run: True,  # it asks whether `select` gives something, and a false is something
    "eld-12": _eld_12,
    "eld-13": _is_distinct("type", "code"),
    "eld-14": _is_distinct("constraint", "key"),
    "eld-15": lambda value, _run: not (chosen(value, "defaultValue") and has(value, "meaningWhenMissing")),
    "eld-16": lambda value, _run: not has(value, "sliceName") or _SLICE_NAME(_text(value, "sliceName")),
    "eld-17": _of_reference("targetProfile"),
    "eld-18": lambda value, _run: value.get("isModifier") is not True or has(value, "isModifierReason"),
    "eld-19": lambda value, _run: _PATH(_text(value, "path")),
    "eld-20": lambda value, _run: _PLAIN_PATH(_text(value, "path")),
    "eld-21": one_of("expression"),
    "eld-22": needs("sliceIsConstraining", "sliceName"),
    "sdf-1": lambda value, _run: (
        value.get("derivation") == "constraint" or distinct(_given(_elements(value, "snapshot"), "path"))
    ),
    "sdf-2": one_of("name", "uri"),
    "sdf-3": _each_has("definition", "min", "max"),
    "sdf-4": lambda value, _run: value.get("abstract") is True or has(value, "baseDefinition"),
    "sdf-5": lambda value, _run: (
        value.get("type") not in (None, "Extension")
        or value.get("derivation") == "specialization"
        or has(value, "context")
    ),
    "sdf-6": one_of("snapshot", "differential"),
    "sdf-8": _sdf_8,
    "sdf-8a": _sdf_8a,
    "sdf-8b": _each_has("base"),
    "sdf-9": _sdf_9,
    "sdf-10": lambda value, _run: (
        not has(value, "binding") or any(has(value["binding"], name) for name in ("valueSet", "description"))
    ),
    "sdf-11": _sdf_11,
    "sdf-14": lambda value, _run: all(has(e, "id") for e in _both(value)),
    "sdf-15": _sdf_15,
    "sdf-15a": _sdf_15a,
    "sdf-16": _named_by_id("snapshot"),
    "sdf-17": _named_by_id("differential"),
    "sdf-18": lambda value, _run: not has(value, "contextInvariant") or value.get("type") == "Extension",
    "sdf-19": _sdf_19,
    "sdf-20": lambda value, _run: not any(has(e, "slicing") for e in _of_root(rows(value, "element"))),
    "sdf-21": _sdf_21,
    "sdf-22": _sdf_22,
    "sdf-23": lambda value, _run: not any(has(e, "sliceName") and "." not in _text(e, "path") for e in _both(value)),
    "csd-1": lambda value, _run: distinct(_concept_codes(value)),
    "cmd-1": _cmd_1,
    "cmd-2": lambda value, _run: value.get("mode") != "fixed" or has(value, "code"),
    "cmd-3": lambda value, _run: value.get("mode") != "other-map" or has(value, "url"),
    "opd-1": one_of("type", "part"),
    "opd-2": lambda value, _run: not has(value, "searchType") or value.get("type") == "string",
    "opd-3": _opd_3,
    "spd-1": needs("xpath", "xpathUsage"),
    "spd-2": lambda value, _run: not has(value, "chain") or value.get("type") == "reference",
    "vsd-1": one_of("valueSet", "system"),
    "vsd-2": lambda value, _run: not has(value, "concept", "filter") or has(value, "system"),
    "vsd-3": not_both("concept", "filter"),
    "vsd-6": one_of("code", "display"),
    "vsd-9": lambda value, _run: has(value, "code") or value.get("abstract") is True,
    "vsd-10": needs("code", "system"),
}
