"""Whether a code is a UCUM unit: the grammar of the Unified Code for Units of Measure over its table of atoms."""

from __future__ import annotations

import re
from functools import cache, lru_cache

from waykeeper.validate.tables import ucum_record

_TOKEN = re.compile(
    r"(?P<note>\{[ -z|~]*\})|(?P<mark>[./()])|(?P<unit>(?:10[*^]|\[[!-\\^-~]+\]|[A-Za-z%'\"_*^])+)(?P<power>[+-]?\d+)?"
    r"|(?P<number>\d+)"
)


LONGEST = 1000  # characters: longer than any unit that means something


def is_unit(code: str) -> bool:
    """Whether the code is a valid unit expression, such as `mg/dL`, `10*3/uL`, `{score}` or `1`."""
    return len(code) <= LONGEST and _is_unit(code)


@lru_cache(maxsize=4096)
def _is_unit(code: str) -> bool:
    offset, depth, wants_term = 0, 0, True
    while offset < len(code):
        token = _TOKEN.match(code, offset)
        if token is None or (token["unit"] and not _is_atom(token["unit"])):
            return False
        mark = token["mark"]
        depth += (mark == "(") - (mark == ")")
        if depth < 0 or (mark in (")", ".") and wants_term):
            return False
        wants_term = mark in (".", "/", "(")
        offset = token.end()
    return bool(code) and depth == 0 and not wants_term


def _is_atom(symbol: str) -> bool:
    prefixes, units = _tables()
    if symbol in units:
        return True
    return any(symbol.startswith(p) and units.get(symbol[len(p) :]) for p in prefixes)


@cache
def _tables() -> tuple[list[str], dict[str, int]]:
    """Prefixes, and unit codes with 1 where a prefix may stand before them."""
    return ucum_record("prefixes"), ucum_record("units")
