"""What a parser says of a text, in words: its messages list tokens of a grammar, which nobody who writes one knows."""

from __future__ import annotations

import re

_END = "<EOF>"
_INPUT = re.compile(r"(?:mismatched|extraneous) input '(.*?)' expecting", re.DOTALL)
_MISSING = re.compile(r"missing '(.+?)' at '(.*)'", re.DOTALL)
_UNREAD = re.compile(r"no viable alternative at input '(.*)'", re.DOTALL)
_SIGN = re.compile(r"token recognition error at: '(.*)'", re.DOTALL)


def in_words(message: str) -> str:
    """A message of an ANTLR parser or lexer as a sentence without a full stop; another one as it stands."""
    if found := _SIGN.match(message):
        opens = found[1][:1] in ("'", '"', "`")
        return f"{_short(found[1])} is never closed" if opens else f"{_short(found[1])} is no sign of it"
    if found := _MISSING.match(message):
        return f"{_short(found[1])} is missing {_before(found[2])}"
    if found := _INPUT.match(message):
        return "it ends where more must follow" if found[1] == _END else f"{_short(found[1])} cannot stand here"
    if found := _UNREAD.match(message):
        return f"{_short(found[1].replace(_END, ''))} cannot be read"
    return message


def _before(text: str) -> str:
    return "at the end" if text == _END else f"before {_short(text)}"


def _short(text: str) -> str:
    return repr(text if len(text) <= 30 else f"{text[:30]}...")
