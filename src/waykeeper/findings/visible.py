"""Text of somebody else beside our own: what moves a cursor, or turns the direction of what follows, is left out."""

from __future__ import annotations

import re

# Controls but for the line break and the tab, and the marks of direction (Unicode standard annex 9, table 4): after one
# that is not closed the date that stands behind a name is read backwards.
_HIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_BREAKS = re.compile("[\t\r\n\u2028\u2029]+")


def visible(text: str) -> str:
    """The text with what is seen of it, its line breaks too."""
    return _HIDDEN.sub("", text)


def on_one_line(text: str) -> str:
    """The same on one line: what somebody wrote looks like no line of ours."""
    return visible(_BREAKS.sub(" ", text))
