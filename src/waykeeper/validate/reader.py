"""A strict JSON reader: what a FHIR text must be before it is a resource."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from waykeeper.validate.primitives import NegativeZero

MOST_BYTES = 512 * 1024 * 1024
MOST_DEPTH = 250


@dataclass(slots=True)
class Reading:
    """What a text holds: the value, and what is wrong with the text itself.

    `faults`: (code, details, character offset or -1, key). Decimals are `decimal.Decimal`, digits as written.
    """

    value: Any = None
    text: str = ""
    readable: bool = True
    faults: list[tuple[str, str, int, str]] = field(default_factory=list)


class _NotFiniteError(ValueError):
    """NaN or Infinity, which JSON does not have."""


def read(data: bytes | str) -> Reading:
    """Read one JSON text. Never raises; `readable` is False where there is no value."""
    reading = Reading()
    text = _decoded(data, reading)
    if text is None:
        reading.readable = False
        return reading
    reading.text = text
    _parse(text, reading)
    return reading


def _decoded(data: bytes | str, reading: Reading) -> str | None:
    if len(data) > MOST_BYTES:
        reading.faults.append(("WKV005", f"the text is larger than {MOST_BYTES} bytes", -1, ""))
        return None
    if isinstance(data, str):
        text = data
    else:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as error:
            reading.faults.append(("WKV002", f"byte {error.start} is not UTF-8", -1, ""))
            return None
    if text.startswith("\ufeff"):
        reading.faults.append(("WKV003", "the text begins with a byte order mark", 0, ""))
        text = text[1:]
    return text


def _parse(text: str, reading: Reading) -> None:
    repeated: list[str] = []

    def take(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        held = dict(pairs)
        if len(held) != len(pairs):
            counts = Counter(key for key, _ in pairs)
            repeated.extend(key for key, count in counts.items() if count > 1)
        return held

    try:
        whole = _whole if _NEGATIVE_ZERO(text) else None  # a call for each number is slow, and hardly a text needs it
        reading.value = json.loads(
            text, object_pairs_hook=take, parse_float=_decimal, parse_int=whole, parse_constant=_refuse
        )
    except _NotFiniteError as error:
        reading.faults.append(("WKV006", f"{error} is no JSON number", -1, ""))
        reading.readable = False
    except json.JSONDecodeError as error:
        said = f"{error.msg[:1].lower()}{error.msg[1:]}" if text.strip() else "nothing is in it"
        details = f"not JSON: {said}"
        reading.faults.append(("WKV001", details, error.pos, ""))
        reading.readable = False
    except RecursionError:
        reading.faults.append(("WKV005", f"the JSON is nested deeper than {MOST_DEPTH}", -1, ""))
        reading.readable = False
    except ValueError:  # an integer of more digits than Python reads
        reading.faults.append(("WKV006", "a number has too many digits", -1, ""))
        reading.readable = False
    for key in repeated:
        reading.faults.append(("WKV004", f"key {key!r} is there twice in one object", -1, key))


_NEGATIVE_ZERO = re.compile(r"-0(?![0-9.eE])").search


def _whole(text: str) -> int:
    return NegativeZero() if text == "-0" else int(text)


def _decimal(text: str) -> Decimal:
    return Decimal(text)


def _refuse(text: str) -> Any:
    raise _NotFiniteError(text)
