"""JSON on the wire: a number of somebody else's comes back as it was written, `1.10` as `1.10`."""

from __future__ import annotations

import json
import re
from typing import Any

import orjson

_HALF = re.compile(rb"\\u[dD][89a-fA-F]|\xed[\xa0-\xbf]")  # found in the text, which is many times quicker than a walk
LONGEST_INTEGER = 15  # digits that a double and every JSON writer hold exactly


class Written(float):
    """A decimal that remembers its text; wherever it is computed with it is a float like any other."""

    text: str

    def __new__(cls, text: str) -> Written:
        """The number of a JSON text."""
        made = super().__new__(cls, text)
        made.text = text
        return made

    def __repr__(self) -> str:
        """As it was written."""
        return self.text

    def __getnewargs__(self) -> tuple[Any]:
        """Copied with its text."""
        return (self.text,)


def _whole(text: str) -> int | Written:
    return int(text) if len(text) <= LONGEST_INTEGER else Written(text)


def _no_number(word: str) -> Any:
    raise ValueError(f"{word} is no JSON number")


def loads(data: bytes) -> Any:
    """A JSON document (UTF-8); for half a character, which no document can hold, U+FFFD stands. Raises ValueError."""
    try:
        read = json.loads(data, parse_float=Written, parse_int=_whole, parse_constant=_no_number)
        return _whole_characters(read) if _HALF.search(data) else read
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _whole_characters(part: Any) -> Any:
    if isinstance(part, str):
        return part.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
    if isinstance(part, list):
        return [_whole_characters(one) for one in part]
    if isinstance(part, dict):
        return {_whole_characters(key): _whole_characters(one) for key, one in part.items()}
    return part


def _as_written(value: Any) -> orjson.Fragment:
    if isinstance(value, Written):
        return orjson.Fragment(value.text.encode())
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")


def dumps(document: Any) -> bytes:
    """A document as JSON (UTF-8), decimals as they were written."""
    return orjson.dumps(document, default=_as_written)
