"""Read and write resource JSON so that values stay as sent: decimals keep their digits, duplicate keys are refused."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import orjson

Resource = dict[str, Any]


class NotJson(ValueError):  # noqa: N818 - what the text is
    """The text is no JSON object that a FHIR resource could be."""


def _object(pairs: list[tuple[str, Any]]) -> Resource:
    """Build an object and refuse a key that is there twice: silently keeping the last would lose a value."""
    made = dict(pairs)
    if len(made) != len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise NotJson(f"the key {key!r} is there twice in one object")
            seen.add(key)
    return made


def _constant(word: str) -> Any:
    raise NotJson(f"{word} is no JSON number")


def parse(text: bytes, line: int = 1) -> Any:
    """Parse JSON text (UTF-8) that begins in a line of its file.

    Raises NotJson with a sentence that names the place, never the content.
    """
    try:
        return json.loads(
            text.decode("utf-8"), parse_float=Decimal, parse_constant=_constant, object_pairs_hook=_object
        )
    except UnicodeDecodeError as bad:
        raise NotJson(f"not UTF-8 at byte {bad.start}") from None
    except json.JSONDecodeError as bad:
        raise NotJson(f"malformed JSON at line {line + bad.lineno - 1}, column {bad.colno}: {bad.msg}") from None
    except RecursionError:
        raise NotJson("nested too deeply") from None


def _default(value: Any) -> Any:
    if isinstance(value, Decimal):
        text = str(value)  # 0.000000001 would become 1E-9: the same digits, but not as people write them
        return orjson.Fragment((format(value, "f") if "E-" in text else text).encode())
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")


def dump(value: Any) -> bytes:
    """Write JSON; a decimal keeps its digits, an `orjson.Fragment` is written as it is."""
    return orjson.dumps(value, default=_default)


def canonical(value: Any) -> bytes:
    """Write JSON with sorted keys, to see whether two resources say the same."""
    return orjson.dumps(value, default=_default, option=orjson.OPT_SORT_KEYS)
