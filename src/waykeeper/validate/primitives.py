"""The lexical rules of the R4 primitive types, as the official validator holds them."""

from __future__ import annotations

import calendar
import math
import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

_YEAR = r"([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)"
_DAY = r"(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
_CLOCK = r"([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)"
_ZONE = r"(Z|[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00))"
_MONTH = r"(0[1-9]|1[0-2])"

_DATE = re.compile(rf"{_YEAR}(-{_MONTH}(-(0[1-9]|[12][0-9]|3[01]))?)?", re.ASCII)
_DATETIME = re.compile(rf"{_YEAR}(-{_MONTH}(-(0[1-9]|[12][0-9]|3[01])(T{_CLOCK}(\.[0-9]+)?{_ZONE})?)?)?", re.ASCII)
_INSTANT = re.compile(rf"{_YEAR}-{_DAY}T{_CLOCK}(\.[0-9]+)?{_ZONE}", re.ASCII)
_BASE64 = re.compile(r"(?=.)[0-9A-Za-z+/\s]*={0,2}\s*", re.ASCII | re.DOTALL)  # never empty (ele-1)
_OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+", re.ASCII)
_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.ASCII)

_PLAIN_URI = re.compile(r"(?!(?:urn:)?(?:oid|uuid):)\S+").fullmatch
_NO_SPACE = re.compile(r"\S+").fullmatch

Test = Callable[[str], object]


def _day_exists(text: str) -> bool:
    """Whether the day of a date that is already well formed is in the calendar."""
    if len(text) < 10 or text[8:10] < "29":
        return True
    return int(text[8:10]) <= calendar.monthrange(int(text[:4]), int(text[5:7]))[1]


def is_date(text: str) -> bool:
    """A year, a month or a day that exists."""
    return _DATE.fullmatch(text) is not None and _day_exists(text)


def is_datetime(text: str) -> bool:
    """A date, or a date with time, seconds and zone."""
    return _DATETIME.fullmatch(text) is not None and _day_exists(text)


def is_instant(text: str) -> bool:
    """A date with time, seconds and zone."""
    return _INSTANT.fullmatch(text) is not None and _day_exists(text)


def is_base64(text: str) -> bool:
    """Base64 text in whole groups of four; white space between is allowed."""
    return _BASE64.fullmatch(text) is not None and len("".join(text.split())) % 4 == 0


def is_uri(text: str) -> bool:
    """A uri without white space; `urn:oid:` and `urn:uuid:` must be well formed."""
    if _PLAIN_URI(text) is not None:
        return True
    if _NO_SPACE(text) is None or text.startswith(("oid:", "uuid:")):
        return False
    if text.startswith("urn:oid:"):
        return is_oid(text)
    return not text.startswith("urn:uuid:") or is_uuid(text.partition("#")[0])


def is_oid(text: str) -> bool:
    """`urn:oid:` and an OID of at least three dots, as the official validator has it."""
    return _OID.fullmatch(text) is not None and text.rindex(".") >= len("urn:oid:1.2.3")


def is_uuid(text: str) -> bool:
    """A lower-case `urn:uuid:`."""
    return _UUID.fullmatch(text) is not None


def is_canonical(text: str) -> bool:
    """An absolute uri, or a fragment."""
    return is_uri(text) and (text.startswith("#") or _SCHEME.match(text) is not None)


_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:.")
# R4 datatypes.html#string: "Strings SHALL NOT exceed 1MB (1024*1024 characters) in size"; markdown has no such limit.
MOST_CHARACTERS = 1024 * 1024
_PLAIN = re.compile(r"[^\x00-\x08\x0b\x0c\x0e-\x1f]+").fullmatch
_SHORT_PLAIN = re.compile(rf"[^\x00-\x08\x0b\x0c\x0e-\x1f]{{1,{MOST_CHARACTERS}}}").fullmatch
is_absolute = _SCHEME.match  # of a url that is a uri already

# Types whose JSON form is a string.
TEXT_TESTS: dict[str, Test] = {
    "string": _SHORT_PLAIN,
    "markdown": _PLAIN,
    "xhtml": bool,
    "code": re.compile(r"[^\s]+( [^\s]+)*").fullmatch,
    "id": re.compile(r"[A-Za-z0-9\-.]{1,64}", re.ASCII).fullmatch,
    "uri": is_uri,
    "url": is_uri,
    "canonical": is_canonical,
    "oid": is_oid,
    "uuid": _UUID.fullmatch,
    "date": is_date,
    "dateTime": is_datetime,
    "instant": is_instant,
    "time": re.compile(_CLOCK, re.ASCII).fullmatch,
    "base64Binary": is_base64,
}

# What each type allows, for messages.
FORMS: dict[str, str] = {
    "string": "text without control characters",
    "markdown": "text without control characters",
    "xhtml": "text that is not empty",
    "code": "a code without leading, trailing or doubled white space",
    "id": "1 to 64 letters, digits, '-' and '.'",
    "uri": "a uri without white space",
    "url": "a url without white space",
    "canonical": "an absolute url without white space, or #fragment",
    "oid": "urn:oid: and an OID",
    "uuid": "urn:uuid: and a lower-case UUID",
    "date": "YYYY, YYYY-MM or YYYY-MM-DD, a day that exists",
    "dateTime": "YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with a zone, a day that exists",
    "instant": "YYYY-MM-DDThh:mm:ss with a zone, a day that exists",
    "time": "hh:mm:ss",
    "base64Binary": "base64 in whole groups of four",
    "boolean": "true or false without quotes",
    "integer": "a whole number from -2147483648 to 2147483647",
    "unsignedInt": "a whole number from 0 to 2147483647",
    "positiveInt": "a whole number from 1 to 2147483647",
    "decimal": "a number without quotes",
}


class NegativeZero(int):
    """`-0` as written in JSON, for those types whose form has no sign (R4 datatypes.html, regex of unsignedInt)."""

    def __repr__(self) -> str:
        """As it was written."""
        return "-0"


_LOWEST = {"integer": -(2**31), "unsignedInt": 0, "positiveInt": 1}


def number_test(name: str) -> Callable[[Any], bool]:
    """The test of a JSON value for boolean, integer, unsignedInt, positiveInt or decimal."""
    if name == "boolean":
        return lambda value: value is True or value is False
    if name == "decimal":
        return is_decimal
    lowest = _LOWEST[name]
    if name == "integer":  # the regex of R4 has no -0 here either; the official validator lets it pass
        return lambda value: type(value) in (int, NegativeZero) and lowest <= value < 2**31
    return lambda value: type(value) is int and lowest <= value < 2**31


def is_decimal(value: Any) -> bool:
    """A finite number; a Decimal keeps its digits as written."""
    kind = type(value)
    return (
        kind is int
        or kind is NegativeZero
        or (isinstance(value, float) and math.isfinite(value))  # also one that keeps its digits as written
        or (kind is Decimal and value.is_finite())
    )


NUMBER_TYPES = frozenset({"boolean", "integer", "unsignedInt", "positiveInt", "decimal"})
