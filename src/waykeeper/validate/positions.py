"""Line and column of element paths in a JSON text: made only when there is a finding to place."""

from __future__ import annotations

import re
from bisect import bisect_right
from json.decoder import scanstring  # type: ignore[attr-defined]  # not in the stubs; public since Python 2

_SPACE = re.compile(r"[ \t\r\n]*").match
_SCALAR = re.compile(r"[^\s,\]}]+").match

Steps = tuple[str | int, ...]


class PositionIndex:
    """Where each wanted path begins in a JSON text that has been parsed before."""

    def __init__(self, text: str) -> None:
        """Index the line starts of the text."""
        self.text = text
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]

    def line_column(self, offset: int) -> tuple[int, int]:
        """1-based line and column of a character offset."""
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1

    def offsets(self, wanted: set[Steps]) -> dict[Steps, int]:
        """The offset of each wanted path: of the key in an object, of the value in a list."""
        prefixes = {path[:n] for path in wanted for n in range(len(path) + 1)}
        found: dict[Steps, int] = {}
        self._value(_skip(self.text, 0), (), prefixes, found)
        return found

    def repeated(self, key: str) -> int:
        """The offset of the second mention of a key in one object, or 0."""
        stack: list[set[str]] = []
        offset, text = 0, self.text
        while offset < len(text):
            letter = text[offset]
            if letter == '"':
                word, end = scanstring(text, offset + 1)
                after = _skip(text, end)
                if stack and word == key and text[after : after + 1] == ":":
                    if key in stack[-1]:
                        return offset
                    stack[-1].add(key)
                offset = end
                continue
            if letter in "{[":
                stack.append(set())
            elif letter in "}]" and stack:
                stack.pop()
            offset += 1
        return 0

    def _value(self, offset: int, path: Steps, wanted: set[Steps], found: dict[Steps, int]) -> int:
        letter = self.text[offset]
        if path in wanted:
            found.setdefault(path, offset)
        elif letter in "{[":
            return self._leap(offset)
        if letter == "{":
            return self._object(offset, path, wanted, found)
        if letter == "[":
            return self._list(offset, path, wanted, found)
        if letter == '"':
            return int(scanstring(self.text, offset + 1)[1])
        scalar = _SCALAR(self.text, offset)
        return scalar.end() if scalar else offset + 1

    def _object(self, offset: int, path: Steps, wanted: set[Steps], found: dict[Steps, int]) -> int:
        text = self.text
        offset = _skip(text, offset + 1)
        while text[offset] != "}":
            key, end = scanstring(text, offset + 1)
            here = (*path, key)
            if here in wanted:
                found.setdefault(here, offset)
            offset = _skip(text, self._value(_skip(text, _skip(text, end) + 1), here, wanted, found))
            if text[offset] == ",":
                offset = _skip(text, offset + 1)
        return offset + 1

    def _list(self, offset: int, path: Steps, wanted: set[Steps], found: dict[Steps, int]) -> int:
        text, index = self.text, 0
        offset = _skip(text, offset + 1)
        while text[offset] != "]":
            offset = _skip(text, self._value(offset, (*path, index), wanted, found))
            index += 1
            if text[offset] == ",":
                offset = _skip(text, offset + 1)
        return offset + 1

    def _leap(self, offset: int) -> int:
        """Past an object or list that holds nothing wanted."""
        depth, text = 0, self.text
        for match in _MARKS(text, offset):
            mark = match[0]
            if mark in "{[":
                depth += 1
            elif mark in "}]":
                depth -= 1
                if not depth:
                    return match.end()
        return len(text)


def first_beyond(text: str, most: int) -> int:
    """The offset of the first bracket that is nested deeper than `most`, or -1."""
    depth = 0
    for match in _MARKS(text):
        depth += (match[0] in "{[") - (match[0] in "}]")
        if depth > most:
            return match.start()
    return -1


_MARKS = re.compile(r'"(?:[^"\\]|\\.)*"|[{}\[\]]').finditer


def _skip(text: str, offset: int) -> int:
    match = _SPACE(text, offset)
    return match.end() if match else offset
