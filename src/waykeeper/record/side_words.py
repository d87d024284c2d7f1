"""The side that a column, the name of an operation or a diagnosis names, as clinics write it.

How they write: common practice, no source. What is not understood names no side: a letter is never guessed.
"""

from __future__ import annotations

import re

LEFT, RIGHT = frozenset({"left"}), frozenset({"right"})
BOTH = LEFT | RIGHT
_BOTH = re.compile(r"\b(?:bilat(?:eral(?:ly|e)?)?|both|b\s*/\s*l)\b", re.IGNORECASE)
_SIDES = {
    LEFT: r"left|lt|lft|lhs|izquierd[oa]|izda?|izq|links",
    RIGHT: r"right|rt|rgt|rhs|derech[oa]|dcha?|rechts",
}
# in a column of its own a letter is a side; in the name of an operation only a capital that stands alone, for `r/o` is
# a removal, and what is `left in` is no side
_ALONE = {LEFT: "l|li", RIGHT: "r|re"}
_SHORT = "(?:[TU]K[AR]|T[AH][AR])"  # a joint in letters, behind which its side may be written together: RTKR, L/THR
_IN_COLUMN = {side: re.compile(rf"\b(?:{words}|{_ALONE[side]})\b", re.IGNORECASE) for side, words in _SIDES.items()}
_IN_NAME = {
    side: re.compile(
        rf"\b(?i:{words})\b(?!\s+(?i:in|open|alone|over|out)\b)"
        rf"|(?:(?<![\w/.])|(?<=[AHK][AR]/)){letter}(?:(?![\w/'])(?!\s*\.\s*[A-Z])|(?=[/.\s]*{_SHORT}\b))"
    )
    for (side, words), letter in zip(_SIDES.items(), "LR", strict=True)
}


def sides_of_column(text: str) -> frozenset[str]:
    """The sides in a column of its own: `L`, `re`, `left`."""
    return _named(text, _IN_COLUMN)


def sides_of_name(text: str) -> frozenset[str]:
    """The sides in the words of an operation or a diagnosis: `Lt ankle`, `OA (L)`, `RTKR`; not of `L4`, `5 mL`."""
    return _named(text, _IN_NAME)


def _named(text: str, patterns: dict[frozenset[str], re.Pattern[str]]) -> frozenset[str]:
    if _BOTH.search(text):
        return BOTH
    return frozenset[str]().union(*(side for side, pattern in patterns.items() if pattern.search(text)))
