"""A JSON Schema (2020-12) of pathway, overlay, part and clinic files, made from the same tables that the reader uses.

It serves editors: keys, types and words while typing. What JSON Schema cannot say (phrases, names, order) `check` says.
"""

from __future__ import annotations

from typing import Any

from waykeeper.pathway.schema import CLINIC, KINDS, OVERLAY, PART, PATHWAY
from waykeeper.pathway.strict import Bool, Choice, Either, Int, Key, ListOf, MapOf, Record, Text, Tree, Type

DIALECT = "https://json-schema.org/draft/2020-12/schema"
# What a pathway lacks its parts may have (anchors, the title of a phase): `check` knows, the schema of one file cannot.
_OF_PARTS = {key.name: key for key in PART.keys if key.name in {"anchors", "phases"}}
_PATHWAY = Record(PATHWAY.name, tuple(_OF_PARTS.get(key.name, key) for key in PATHWAY.keys))
FILES: dict[str, Record] = {"pathway": _PATHWAY, "overlay": OVERLAY, "part": PART, "clinic": CLINIC}

_FREE = Text().pattern  # any text: what YAML reads as a number or a boolean is text for us


def jsonschema(file: str = "") -> dict[str, Any]:
    """The schema of one sort of file (`pathway`, `overlay`, `part`, `clinic`), or of any, told by its first key.

    Raises KeyError for another sort.
    """
    if file:
        return {"$schema": DIALECT, **_record(FILES[file])}
    choice: dict[str, Any] = {"required": list(FILES)[:1]}  # none of the keys: say that `pathway` is missing
    for name in reversed(list(FILES)):
        choice = {"if": {"required": [name]}, "then": {"$ref": f"#/$defs/{name}"}, "else": choice}
    return {"$schema": DIALECT, "type": "object", **choice, "$defs": {n: _record(r) for n, r in FILES.items()}}


def _schema(wanted: Type) -> dict[str, Any]:
    match wanted:
        case Text() if wanted.pattern == _FREE:
            return {"type": ["string", "number", "boolean"], "pattern": r"\S"}
        case Text():
            return {"type": "string", "pattern": f"^({wanted.pattern})$"}
        case Int():
            return {"type": "integer", "minimum": wanted.low, "maximum": wanted.high}
        case Bool():
            return {"type": "boolean"}
        case Choice():
            return {"enum": list(wanted.allowed)}
        case ListOf():
            return {"type": "array", "items": _schema(wanted.of), "minItems": wanted.least}
        case MapOf():
            names = {"pattern": f"^({wanted.names.pattern})$"}
            return {"type": "object", "propertyNames": names, "additionalProperties": _schema(wanted.of)}
        case Record():
            return _record(wanted)
        case Tree():
            return {"type": "object"}
        case Either():
            return {"anyOf": [_schema(one) for one in wanted.types]}


def _record(wanted: Record) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "type": "object",
        "properties": {key.name: _key(key) for key in wanted.keys},
        "additionalProperties": False,
    }
    required = [key.name for key in wanted.keys if key.required]
    return {**schema, "required": required} if required else schema


def _key(key: Key) -> dict[str, Any]:
    schema = _schema(key.type)
    if key.name == "holds":  # also one hold without a name
        schema = {"anyOf": [_record(KINDS["holds"][1]), schema]}
    return {**schema, "description": key.note} if key.note else schema
