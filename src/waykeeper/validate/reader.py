"""A strict JSON reader: what a FHIR text must be before it is a resource."""

from __future__ import annotations

import json
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, NamedTuple

from waykeeper.validate.positions import first_beyond
from waykeeper.validate.primitives import NegativeZero

MOST_BYTES = 512 * 1024 * 1024
MOST_DEPTH = 250


class Fault(NamedTuple):
    """What is wrong with a text: at a character (-1: nowhere), or at the second mention of a key in an object."""

    code: str
    details: str
    offset: int = -1
    key: str = ""
    help: str = ""


@dataclass(slots=True)
class Reading:
    """What a text holds: the value, and what is wrong with the text itself.

    Decimals are `decimal.Decimal`, digits as written. `text` ends where it could not be decoded any further.
    """

    value: Any = None
    text: str = ""
    readable: bool = True
    faults: list[Fault] = field(default_factory=list)


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
        reading.faults.append(Fault("WKV005", f"the text is larger than {MOST_BYTES} bytes"))
        return None
    if isinstance(data, str):
        text = data
    else:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as error:
            reading.text = data[: error.start].decode("utf-8")
            reading.faults.append(_not_utf8(data, error.start, len(reading.text)))
            return None
    if text.startswith("\ufeff"):
        reading.faults.append(Fault("WKV003", "the text begins with a byte order mark", 0))
        text = text[1:]
    return text


def _not_utf8(data: bytes, byte: int, offset: int) -> Fault:
    if data.startswith(b"\x1f\x8b"):
        return Fault("WKV002", "the bytes are packed (gzip)", help="Unpack it, or give it a name that ends in .gz.")
    if data.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return Fault("WKV002", "the text is UTF-16")
    return Fault("WKV002", f"byte {byte} is not UTF-8", offset)


def _not_json(text: str, error: json.JSONDecodeError) -> Fault:
    said, help_ = f"{error.msg[:1].lower()}{error.msg[1:]}", ""
    start = text.lstrip()[:1]
    if not start:
        said, help_ = "nothing is in it", "Give a file with a resource."
    elif "\0" in text[:4]:
        return Fault("WKV002", "the text is UTF-16")
    elif start == "<":
        said, help_ = "it looks like XML", "Only JSON is read: write the resource as JSON."
    elif error.msg == "Extra data":
        said = "more text follows the resource"
        help_ = "Take it away; for a resource on each line give the file a name that ends in .ndjson."
    return Fault("WKV001", f"not JSON: {said}", error.pos, help=help_)


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
        reading.faults.append(Fault("WKV006", f"{error} is no JSON number", _outside_texts(_NOT_FINITE, text)))
        reading.readable = False
    except json.JSONDecodeError as error:
        reading.faults.append(_not_json(text, error))
        reading.readable = False
    except RecursionError:
        at = first_beyond(text, MOST_DEPTH)
        reading.faults.append(Fault("WKV005", f"the JSON is nested deeper than {MOST_DEPTH}", at))
        reading.readable = False
    except ValueError:  # an integer of more digits than Python reads
        reading.faults.append(Fault("WKV006", "a number has too many digits", _outside_texts(_MANY_DIGITS, text)))
        reading.readable = False
    for key in repeated:
        reading.faults.append(Fault("WKV004", f"key {key!r} is there twice in one object", key=key))


_NOT_FINITE = re.compile(r'"(?:[^"\\]|\\.)*"|(NaN|-?Infinity)', re.DOTALL)
_MANY_DIGITS = re.compile(r'"(?:[^"\\]|\\.)*"|(-?[0-9]{4301,})', re.DOTALL)


def _outside_texts(wanted: re.Pattern[str], text: str) -> int:
    """Where the first group is found outside of quoted texts, or -1."""
    return next((match.start() for match in wanted.finditer(text) if match[1]), -1)


_NEGATIVE_ZERO = re.compile(r"-0(?![0-9.eE])").search


def _whole(text: str) -> int:
    return NegativeZero() if text == "-0" else int(text)


def _decimal(text: str) -> Decimal:
    return Decimal(text)


def _refuse(text: str) -> Any:
    raise _NotFiniteError(text)
