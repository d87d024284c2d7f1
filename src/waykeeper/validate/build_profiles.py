"""Developer tool: the profiles that 4.0.1 itself publishes (vital signs, lipids, ...) -> what they add to their types.

A record holds the type and those elements of the snapshot that say more than the type does, each with what the checks
read: cardinality, types, fixed and pattern values, required bindings, slicing, invariants of the profile's own.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

Json = dict[str, Any]

_NS = "{http://hl7.org/fhir}"
_SD = "http://hl7.org/fhir/StructureDefinition/"
_FILE = "org/hl7/fhir/r4/model/profile/profiles-others.xml"
_LISTS = frozenset({"coding"})  # of what stands in fixed and pattern values
_NUMBERS = frozenset({"decimal", "integer", "positiveInt", "unsignedInt"})


def profile_records(jar: Path, definitions: Iterable[Json], types: Mapping[str, Any]) -> dict[str, Json]:
    """By url: the profiles of the jar, and those on data types (SimpleQuantity) among the definitions."""
    with zipfile.ZipFile(jar) as archive:
        root = ET.fromstring(archive.read(_FILE))
    found = {}
    for resource in root.iter(_NS + "resource"):
        definition = resource[0]
        snapshot = definition.find(_NS + "snapshot")
        if definition.tag == _NS + "StructureDefinition" and snapshot is not None:
            elements = [_as_json(e) for e in snapshot]
            found[_text(definition, "url")] = _record(_text(definition, "type"), elements, types)
    for held in definitions:
        if held.get("derivation") == "constraint":
            found[held["url"]] = _record(held["type"], held["snapshot"]["element"], types)
    return found


def required_sets(records: Mapping[str, Json]) -> set[str]:
    """The value sets that the profiles bind as required."""
    bound = {e["binding"]["valueSet"] for record in records.values() for e in record["e"] if "binding" in e}
    return {url.partition("|")[0] for url in bound}


def _record(type_: str, elements: list[Json], types: Mapping[str, Any]) -> Json:
    sliced = {str(element["id"]).rpartition(":")[0] for element in elements}
    kept = [_said(element, types, sliced) for element in elements]
    return {"t": type_, "e": [kept[0], *(e for e in kept[1:] if len(e) > 2)]}


def _said(element: Json, types: Mapping[str, Any], sliced: set[str]) -> Json:
    """`id` and `path`, and what the element says beyond its type; `sliced`: the ids of elements with slices."""
    out: Json = {"id": element.get("id", element["path"]), "path": element["path"]}
    base = element.get("base", {})
    for key in ("min", "max"):
        if key in element and (":" in out["id"].rpartition(".")[2] or element[key] != base.get(key)):
            out[key] = element[key]
    out |= {k: v for k, v in element.items() if k.startswith(("fixed", "pattern", "maxLength", "minValue", "maxValue"))}
    if "contentReference" in element:
        out["contentReference"] = element["contentReference"]
    if "slicing" in element and out["id"] in sliced:
        out["slicing"] = element["slicing"]
    if "type" in element and (
        element["path"].endswith("[x]") or any(t.keys() & {"profile", "targetProfile"} for t in element["type"])
    ):
        out["type"] = element["type"]
    binding = element.get("binding", {})
    if binding.get("strength") == "required" and "valueSet" in binding:
        out["binding"] = {"strength": "required", "valueSet": binding["valueSet"]}
    own = [rule for rule in element.get("constraint", []) if _is_own(rule, types)]
    return {**out, "constraint": own} if own else out


def _is_own(rule: Json, types: Mapping[str, Any]) -> bool:
    source = str(rule.get("source", ""))
    if rule["key"] in ("ele-1", "ext-1"):
        return False
    return not source.startswith(_SD) or source.removeprefix(_SD) not in types


def _text(node: ET.Element, name: str) -> str:
    child = node.find(_NS + name)
    return "" if child is None else str(child.get("value", ""))


def _texts(node: ET.Element, name: str) -> list[str]:
    return [str(child.get("value", "")) for child in node.findall(_NS + name)]


def _as_json(element: ET.Element) -> Json:
    """The parts of an element's definition that `_said` reads, as its JSON form has them."""
    out: Json = {"id": element.get("id", ""), "path": _text(element, "path")}
    out |= {"min": int(_text(element, "min")), "max": _text(element, "max")}
    base = element.find(_NS + "base")
    if base is not None:
        out["base"] = {"min": int(_text(base, "min")), "max": _text(base, "max")}
    out["type"] = [_type(t) for t in element.findall(_NS + "type")]
    for child in element:
        name = child.tag.removeprefix(_NS)
        if name.startswith(("fixed", "pattern")):
            out[name] = _value(child, name.removeprefix("fixed").removeprefix("pattern"))
        elif name == "slicing":
            out[name] = _slicing(child)
        elif name == "contentReference":
            out[name] = child.get("value", "")
        elif name == "binding":
            out[name] = {k: _text(child, k) for k in ("strength", "valueSet") if _text(child, k)}
        elif name == "constraint":
            keys = ("key", "severity", "human", "expression", "source")
            out.setdefault(name, []).append({k: _text(child, k) for k in keys if _text(child, k)})
    return out


def _type(node: ET.Element) -> Json:
    lists = {name: _texts(node, name) for name in ("profile", "targetProfile")}
    return {"code": _text(node, "code"), **{name: held for name, held in lists.items() if held}}


def _slicing(node: ET.Element) -> Json:
    found = [{k: _text(d, k) for k in ("type", "path")} for d in node.findall(_NS + "discriminator")]
    ordered = {"ordered": True} if _text(node, "ordered") == "true" else {}
    return {"discriminator": found, "rules": _text(node, "rules"), **ordered}


def _value(node: ET.Element, type_: str) -> Any:
    """A fixed or pattern value: a primitive as JSON writes it, or an object."""
    text = node.get("value")
    if text is not None:
        if type_ == "Boolean":
            return text == "true"
        return (float(text) if "." in text else int(text)) if type_[:1].lower() + type_[1:] in _NUMBERS else text
    out: Json = {}
    for child in node:
        name = child.tag.removeprefix(_NS)
        held = _value(child, "decimal" if name == "value" and type_ == "Quantity" else "")
        if name in _LISTS:
            out.setdefault(name, []).append(held)
        else:
            out[name] = held
    return out
