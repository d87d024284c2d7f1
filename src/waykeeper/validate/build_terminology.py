"""Developer tool: the published 4.0.1 value sets, code systems and extension definitions -> compact records."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from waykeeper.validate.extensions import extension_record

_NS = "{http://hl7.org/fhir}"
_FOLDER = "org/hl7/fhir/r4/model/"
_SETS = ("valueset/valuesets.xml", "valueset/v2-tables.xml", "valueset/v3-codesystems.xml")
_SD = "http://hl7.org/fhir/StructureDefinition/"
# Contexts that 4.0.1 publishes too narrow for its own definitions (its value sets, operations and primitive types bear
# these extensions elsewhere), mended as the official validator mends them.
_CONTEXTS = {
    _SD + "capabilitystatement-expectation": ["Element"],
    _SD + "capabilitystatement-prohibited": ["Element"],
    _SD + "regex": ["Questionnaire.item", "ElementDefinition", "ElementDefinition.type"],
    _SD + "structuredefinition-fhir-type": ["ElementDefinition.type"],
    _SD + "structuredefinition-normative-version": ["Element"],
}


def terminology_records(jar: Path, used: set[str]) -> dict[str, dict[str, Any]]:
    """`codesystems`, `valuesets` and `extensions` by canonical url. `used`: value sets that types bind."""
    with zipfile.ZipFile(jar) as archive:
        resources = [r for name in _SETS for r in _resources(archive, name)]
        extensions = _extensions(archive)
    systems = {s["url"]: s for s in (_system(r) for r in resources if r.tag == _NS + "CodeSystem")}
    sets = {_value(r, "url"): _value_set(r) for r in resources if r.tag == _NS + "ValueSet"}
    keep = used | {url for record in extensions.values() for url in _bound(record)}
    keep |= {v for url in list(keep) if url in sets for v in _imports(url, sets)}
    return {
        "codesystems.jsonl": {url: s["record"] for url, s in systems.items()},
        "valuesets.jsonl": {url: _expanded(sets[url], systems) for url in keep if url in sets},
        "extensions.jsonl": extensions,
    }


def _bound(record: dict[str, Any]) -> Iterator[str]:
    """The value sets that an extension and its parts bind."""
    if "b" in record:
        yield record["b"][1]
    for part in record.get("sub", {}).values():
        yield from _bound(part)


def ucum_records(jar: Path) -> dict[str, Any]:
    """`prefixes`, and `units` with 1 where a prefix may stand before the unit."""
    with zipfile.ZipFile(jar) as archive:
        root = ET.fromstring(archive.read("ucum-essence.xml"))
    units = {str(u.get("Code")): 1 for u in root.iter("base-unit")}
    units |= {str(u.get("Code")): int(u.get("isMetric") == "yes") for u in root.iter("unit")}
    return {"prefixes": [str(p.get("Code")) for p in root.iter("prefix")], "units": units}


def _resources(archive: zipfile.ZipFile, name: str) -> Iterator[ET.Element]:
    root = ET.fromstring(archive.read(_FOLDER + name))
    for resource in root.iter(_NS + "resource"):
        yield resource[0]


def _value(node: ET.Element, name: str) -> str:
    child = node.find(_NS + name)
    return "" if child is None else str(child.get("value", ""))


def _system(node: ET.Element) -> dict[str, Any]:
    """Codes with their parents; `content` other than complete means that absence proves nothing."""
    concepts: dict[str, list[str]] = {}
    properties: dict[str, dict[str, list[str]]] = {}

    def take(parent: ET.Element, above: str) -> None:
        for concept in parent.findall(_NS + "concept"):
            code = _value(concept, "code")
            parents = concepts.setdefault(code, [])
            if above:
                parents.append(above)
            held = properties.setdefault(code, {})
            for prop in concept.findall(_NS + "property"):
                value = next((str(v.get("value", "")) for v in prop if v.tag != _NS + "code"), "")
                held.setdefault(_value(prop, "code"), []).append(value)
                if _value(prop, "code") == "subsumedBy":
                    parents.append(value)
            take(concept, code)

    take(node, "")
    content = _value(node, "content")
    record: dict[str, Any] = {"c": list(concepts)}
    if content != "complete":
        record["content"] = content
    if _value(node, "caseSensitive") != "true":  # version 2 tables do not say, and are read as if they said false
        record["ci"] = 1
    return {"url": _value(node, "url"), "record": record, "parents": concepts, "properties": properties}


def _value_set(node: ET.Element) -> dict[str, Any]:
    compose = node.find(_NS + "compose")
    out: dict[str, Any] = {"include": [], "exclude": []}
    for part in ("include", "exclude"):
        for include in [] if compose is None else compose.findall(_NS + part):
            out[part].append(
                {
                    "system": _value(include, "system"),
                    "codes": [_value(c, "code") for c in include.findall(_NS + "concept")],
                    "filters": [
                        [_value(f, n) for n in ("property", "op", "value")] for f in include.findall(_NS + "filter")
                    ],
                    "sets": [str(v.get("value", "")).partition("|")[0] for v in include.findall(_NS + "valueSet")],
                }
            )
    return out


def _imports(url: str, sets: dict[str, Any]) -> set[str]:
    found = {v for part in sets[url]["include"] for v in part["sets"]}
    return found | {w for v in found if v in sets for w in _imports(v, sets)}


def _expanded(value_set: dict[str, Any], systems: dict[str, Any]) -> dict[str, Any]:
    """`in`: [[system, codes | null for all]], `sets`: imported sets, `open`: systems whose filter is unknown here."""
    out: dict[str, Any] = {"in": []}
    for part in value_set["include"]:
        if part["sets"]:
            out.setdefault("sets", []).extend(part["sets"])
        if not part["system"]:
            continue
        codes = _codes(part, systems)
        if codes is None:
            out.setdefault("open", []).append(part["system"])
        elif codes is ...:
            out["in"].append([part["system"], None])
        else:
            out["in"].append([part["system"], codes])
    for part in value_set["exclude"]:
        codes = _codes(part, systems)
        out.setdefault("out", []).append([part["system"], codes if isinstance(codes, list) else None])
    return out


def _codes(part: dict[str, Any], systems: dict[str, Any]) -> Any:
    """A list of codes, `...` for the whole system, None where it cannot be told offline."""
    if part["codes"]:
        return part["codes"]
    system = systems.get(part["system"])
    if not part["filters"]:
        return ...
    if system is None or system["record"].get("content"):
        return None
    chosen = list(system["parents"])
    for prop, op, value in part["filters"]:
        chosen = [c for c in chosen if _passes(c, prop, op, value, system)]
    return chosen


def _passes(code: str, prop: str, op: str, value: str, system: dict[str, Any]) -> bool:
    if op in ("is-a", "descendent-of") and prop == "concept":
        return (op == "is-a" and code == value) or value in _ancestors(code, system["parents"])
    if op == "is-not-a" and prop == "concept":
        return code != value and value not in _ancestors(code, system["parents"])
    held = system["properties"].get(code, {}).get(prop, [])
    if op == "=":
        return value in held
    raise ValueError(f"filter {prop} {op} {value} is not known to the build")


def _ancestors(code: str, parents: dict[str, list[str]]) -> set[str]:
    found: set[str] = set()
    todo = list(parents.get(code, []))
    while todo:
        above = todo.pop()
        if above not in found:
            found.add(above)
            todo += parents.get(above, [])
    return found


def _extensions(archive: zipfile.ZipFile) -> dict[str, Any]:
    """Context, cardinality, value types and nested extensions of every published extension."""
    records = {}
    for definition in _resources(archive, "extension/extension-definitions.xml"):
        if definition.tag == _NS + "StructureDefinition" and _value(definition, "type") == "Extension":
            url = _value(definition, "url")
            records[url] = extension_record(_plain(definition))
            if url in _CONTEXTS:
                records[url]["ctx"] = [["element", expression] for expression in _CONTEXTS[url]]
    return records


def _plain(definition: ET.Element) -> dict[str, Any]:
    """The parts of an extension's definition that the record needs, as its JSON form has them."""
    snapshot = definition.find(_NS + "snapshot")
    return {
        "context": [
            {"type": _value(c, "type"), "expression": _value(c, "expression")}
            for c in definition.findall(_NS + "context")
        ],
        "snapshot": {"element": [_plain_element(e) for e in ([] if snapshot is None else snapshot)]},
    }


def _plain_element(element: ET.Element) -> dict[str, Any]:
    out: dict[str, Any] = {"id": element.get("id", ""), "path": _value(element, "path")}
    out |= {"min": int(_value(element, "min") or 0), "max": _value(element, "max")}
    out["isModifier"] = _value(element, "isModifier") == "true"
    fixed = _value(element, "fixedUri")
    if fixed:
        out["fixedUri"] = fixed
    out["type"] = [
        {"code": _value(t, "code"), "targetProfile": [str(p.get("value")) for p in t.findall(_NS + "targetProfile")]}
        for t in element.findall(_NS + "type")
    ]
    binding = element.find(_NS + "binding")
    if binding is not None:
        out["binding"] = {"strength": _value(binding, "strength"), "valueSet": _value(binding, "valueSet")}
    return out
