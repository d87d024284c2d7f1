"""Is a resource shaped as FHIR R4 wants it, so that it can be read? By the tables of the specification, and quickly.

Only the JSON form is looked at (lists, objects, texts, numbers, truth values), not what stands in it: what a date says
is judged where it is read. Elements that R4 does not know are nobody's business here.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from functools import cache
from typing import Any

from waykeeper.validate.tables import type_record

TRUTH, NUMBER, TEXT = "a truth value", "a number", "a text"
OBJECT, LIST = "an object", "a list"
_NUMBERS = ("integer", "positiveInt", "unsignedInt", "decimal")
_WHOSE = ("subject", "patient", "for", "beneficiary", "individual")


def misshapen(resource: Mapping[str, Any]) -> str:
    """What keeps a resource from being read: `Task.identifier is a text, a list is wanted`; "" for nothing."""
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or not kind:
        return "resourceType is missing" if kind is None else f"resourceType is {_found(kind)}, a text is wanted"
    try:
        wrong = _node(resource, kind)
        return f"{kind}{wrong}" if wrong else ""
    except RecursionError:
        return f"{kind} is nested too deeply"


def whose(resource: Mapping[str, Any]) -> str:
    """The reference of the patient whom a resource is about, whatever its shape; "" where it names none."""
    people = [resource.get(name) for name in _WHOSE]
    takes_part = resource.get("participant")
    people += [one.get("actor") for one in takes_part if isinstance(one, dict)] if isinstance(takes_part, list) else []
    told = [one.get("reference") for one in people if isinstance(one, dict)]
    return next((one for one in told if isinstance(one, str) and "Patient/" in one), "")


def with_whose(name: str, resource: Mapping[str, Any]) -> str:
    """The name of a resource with that of its patient: `Task/12 of Patient/3`; alone where it names none."""
    who = whose(resource)
    return f"{name} of {who}" if who else name


@cache
def _elements(name: str) -> Mapping[str, tuple[bool, bool, str]] | None:
    """The elements of a type or backbone element, by their names; None where R4 has no such type.

    Each is (is it a list, is it one text, its type): most are one text, and are looked at no further.
    """
    record = type_record(name.partition(".")[0])
    node = record["nodes"].get(name) if record else None
    if node is None:
        return None
    lists = {one["n"]: (bool(one.get("l")), one["t"]) for one in node["e"]}
    return {key: (is_list, not is_list and _wanted(type_) == TEXT, type_) for key, (is_list, type_) in lists.items()}


@cache
def _wanted(type_: str) -> str:
    """How JSON writes a type."""
    if type_ == "boolean":
        return TRUTH
    if type_ in _NUMBERS:
        return NUMBER
    return OBJECT if type_[:1].isupper() and not type_.startswith("http") else TEXT


# What is wrong is told from the element on (`[1].code is null, a text is wanted`); who called puts the rest before it.


def _node(value: Mapping[str, Any], name: str) -> str:
    known = _elements(name)
    if known is None:
        return ""
    for key, part in value.items():
        element = known.get(key)
        if element is None:
            if key[:1] == "_" and (wrong := _beside(part)):
                return f".{key}{wrong}"
            continue
        is_list, is_text, type_ = element
        if is_text and isinstance(part, str):
            continue
        if wrong := _listed(part, type_) if is_list else _one(part, type_):
            return f".{key}{wrong}"
    return ""


def _listed(value: Any, type_: str) -> str:
    if not isinstance(value, list):
        return _instead(value, LIST)
    for number, one in enumerate(value):
        if one is None and _wanted(type_) != OBJECT:
            continue  # an element of a primitive list of which only the extension is known
        if wrong := _one(one, type_):
            return f"[{number}]{wrong}"
    return ""


def _one(value: Any, type_: str) -> str:
    wanted = _wanted(type_)
    if wanted != OBJECT or not isinstance(value, dict):
        return "" if _found(value) == wanted else _instead(value, wanted)
    if type_ == "Extension" and not isinstance(value.get("url"), str):
        return " has no url"
    if type_ != "Resource":
        return _node(value, type_)
    kind = value.get("resourceType")
    return _node(value, kind) if isinstance(kind, str) else " has no resourceType"


def _beside(value: Any) -> str:
    """What stands beside a primitive: its id and extensions."""
    if not isinstance(value, list):
        return _one(value, "Element")
    return next(
        (f"[{n}]{wrong}" for n, one in enumerate(value) if one is not None and (wrong := _one(one, "Element"))), ""
    )


def _instead(value: Any, wanted: str) -> str:
    return f" is {_found(value)}, {wanted} is wanted"


def _found(value: Any) -> str:
    if isinstance(value, str):
        return TEXT
    if isinstance(value, bool):
        return TRUTH
    if isinstance(value, dict):
        return OBJECT
    if isinstance(value, list):
        return LIST
    return "null" if value is None else NUMBER if isinstance(value, int | float | Decimal) else "no JSON"
