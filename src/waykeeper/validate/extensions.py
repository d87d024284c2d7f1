"""What a StructureDefinition of an extension demands: contexts, cardinality, value types, nested extensions."""

from __future__ import annotations

from typing import Any

_SD = "http://hl7.org/fhir/StructureDefinition/"


def extension_record(definition: dict[str, Any]) -> dict[str, Any]:
    """The compact record of an extension definition with a snapshot.

    `ctx`: [[type, expression]]; `mod`: 1 for a modifier; `v`: {JSON name: {"t": type, "r"?: targets}} of the allowed
    values; `b`: [strength, value set]; `vm`: 1 where a value is required; `sub`: {url: record} with `m` and `M`
    (None for any number) of nested extensions.
    """
    elements = definition["snapshot"]["element"]
    record = _level("Extension", elements)
    record["ctx"] = [[c["type"], c["expression"]] for c in definition.get("context", [])]
    if elements and elements[0].get("isModifier"):
        record["mod"] = 1
    return record


def _level(at: str, elements: list[dict[str, Any]]) -> dict[str, Any]:
    record: dict[str, Any] = {"v": {}}
    depth = at.count(".") + 1
    for element in elements:
        here = str(element.get("id", ""))
        if here.count(".") != depth or not here.startswith(at + "."):
            continue
        name = here[len(at) + 1 :]
        if name.startswith("value") and str(element.get("max")) != "0":
            _value(element, record)
        elif name.startswith("extension:"):
            _nested(here, element, elements, record)
    return record


def _value(element: dict[str, Any], record: dict[str, Any]) -> None:
    if element.get("min"):
        record["vm"] = 1
    for type_ in element.get("type", []):
        code = type_["code"]
        allowed: dict[str, Any] = {"t": code}
        targets = sorted(t.removeprefix(_SD) for t in type_.get("targetProfile", []))
        if targets and targets != ["Resource"]:
            allowed["r"] = targets
        record["v"]["value" + code[0].upper() + code[1:]] = allowed
    binding = element.get("binding", {})
    if binding.get("strength") in ("required", "extensible") and binding.get("valueSet"):
        record["b"] = [binding["strength"], binding["valueSet"].partition("|")[0]]


def _nested(at: str, element: dict[str, Any], elements: list[dict[str, Any]], record: dict[str, Any]) -> None:
    url = next((str(e["fixedUri"]) for e in elements if e.get("id") == at + ".url" and "fixedUri" in e), "")
    if not url:
        return
    below = _level(at, elements)
    below["m"] = int(element.get("min", 0))
    below["M"] = None if element.get("max", "*") == "*" else int(element["max"])
    record.setdefault("sub", {})[url] = below
