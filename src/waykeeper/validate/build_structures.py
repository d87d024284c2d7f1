"""Developer tool: StructureDefinitions with snapshots -> one compact record a type.

Record: `{"k": kind, "base": type, "abstract": 1?, "nodes": {path: {"e": [element], "i": [key]}}, "inv": {...}}`.
Element (only what differs from nothing): `n` JSON name, `t` type or node path, `l` 1 if a list, `m` minimum,
`c` 1 if it holds its own kind,
`M` maximum other than 1 and *, `b` [strength, value set], `r` reference targets, `g` the choice it belongs to,
`i` invariant keys. Invariant: `key: [severity, human, expression]`, kept beside the node that states it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

_FHIR_TYPE = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type"
_EVERYWHERE = {"ele-1", "ext-1", "dom-2", "dom-3", "dom-4", "dom-5", "dom-6"}
_SD = "http://hl7.org/fhir/StructureDefinition/"


def type_records(definitions: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Every resource, complex and primitive type by name (profiles on types such as SimpleQuantity too)."""
    records = {}
    for definition in definitions:
        if definition["kind"] == "logical":
            continue
        name = definition["url"].removeprefix(_SD)
        records[name] = _record(definition)
    return records


def _record(definition: dict[str, Any]) -> dict[str, Any]:
    elements = _renamed(definition)
    root = elements[0]["path"]
    record: dict[str, Any] = {"k": definition["kind"], "base": _base(definition), "nodes": {}, "inv": {}}
    if definition.get("abstract"):
        record["abstract"] = 1
    for element in elements:
        path = element["path"]
        keys = _invariants(element, record["inv"])
        if path == root or _is_node(element):
            record["nodes"][path] = {"e": []} | ({"i": keys} if keys else {})
            keys = []
        if path != root and element["max"] != "0":
            parent = path.rpartition(".")[0]
            record["nodes"][parent]["e"] += _elements(element, keys, definition["kind"])
    return record


def _renamed(definition: dict[str, Any]) -> list[dict[str, Any]]:
    """The elements with paths that begin with the record's name: SimpleQuantity's own say Quantity."""
    elements: list[dict[str, Any]] = definition["snapshot"]["element"]
    name, root = definition["url"].removeprefix(_SD), elements[0]["path"]
    return [element | {"path": name + element["path"].removeprefix(root)} for element in elements]


def _base(definition: dict[str, Any]) -> str:
    return str(definition.get("baseDefinition", "")).removeprefix(_SD)


def _is_node(element: dict[str, Any]) -> bool:
    return any(t["code"] in ("BackboneElement", "Element") for t in element.get("type", []))


def _invariants(element: dict[str, Any], into: dict[str, Any]) -> list[str]:
    """Keep the invariants that this element adds to what every element of its kind has."""
    keys = []
    for constraint in element.get("constraint", []):
        key = constraint["key"]
        if key in _EVERYWHERE:  # the walk itself checks these
            continue
        into[key] = [constraint["severity"], constraint["human"], constraint["expression"]]
        keys.append(key)
    return keys


def _elements(element: dict[str, Any], keys: list[str], kind: str) -> list[dict[str, Any]]:
    name = element["path"].rpartition(".")[2]
    if "contentReference" in element:
        return [_one(element, name, element["contentReference"].removeprefix("#"), {}, keys) | {"c": 1}]
    if _is_node(element):
        return [_one(element, name, element["path"], {}, keys)]
    types = element.get("type", [])
    if not name.endswith("[x]"):
        code = _code(types[0])
        if name == "id" and kind == "resource" and element["path"].count(".") == 1:
            code = "id"
        return [_one(element, name, code, types[0], keys)]
    stem = name.removesuffix("[x]")
    return [_one(element, stem + t["code"][0].upper() + t["code"][1:], _code(t), t, keys) | {"g": name} for t in types]


def _code(type_: dict[str, Any]) -> str:
    for extension in type_.get("extension", []):
        if extension["url"] == _FHIR_TYPE:
            return str(extension["valueUrl"])
    profiles = type_.get("profile", [])
    if profiles and profiles[0] == _SD + "SimpleQuantity":
        return "SimpleQuantity"
    return str(type_["code"])


def _bound(binding: dict[str, Any]) -> list[str] | None:
    """[strength, value set] of a binding that is checked; a maximal value set has strength `max`."""
    for extension in binding.get("extension", []):
        if extension["url"] == _SD + "elementdefinition-maxValueSet":
            return ["max", str(extension["valueCanonical"]).partition("|")[0]]
    if binding.get("strength") in ("required", "extensible") and "valueSet" in binding:
        return [binding["strength"], binding["valueSet"].partition("|")[0]]
    return None


def _one(element: dict[str, Any], name: str, code: str, type_: dict[str, Any], keys: list[str]) -> dict[str, Any]:
    out: dict[str, Any] = {"n": name, "t": code}
    if element["max"] != "1":
        out["l"] = 1
        if element["max"] != "*":
            out["M"] = int(element["max"])
    if element["min"]:
        out["m"] = element["min"]
    bound = _bound(element.get("binding", {}))
    if bound and code in _BINDABLE:
        out["b"] = bound
    if code in ("Reference", "canonical") and type_.get("targetProfile"):
        targets = sorted(t.removeprefix(_SD) for t in type_["targetProfile"])
        if targets != ["Resource"]:
            out["r"] = targets
    if keys:
        out["i"] = keys
    return out


_BINDABLE = {
    "code",
    "Coding",
    "CodeableConcept",
    "Quantity",
    "SimpleQuantity",
    "Age",
    "Distance",
    "Duration",
    "Count",
    "string",
    "uri",
    "id",
}
