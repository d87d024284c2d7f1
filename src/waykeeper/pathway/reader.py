"""The one reader for all our YAML: text to a tree of nodes that know their file, line and column.

Every scalar stays as written (`NO`, `22:30`, `0123`, `1.10`); what type it should have is the schema's business.
Aliases, anchors, tags, duplicate keys, several documents and files that are too large or too deep are findings.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import yaml

from waykeeper.findings import Finding, Position, finding

MAX_BYTES = 1_000_000
MAX_DEPTH = 24
MAX_NODES = 50_000

_LOADER: Any = getattr(yaml, "CLoader", yaml.Loader)  # only its event parser is used: it builds no objects
_BREAK = re.compile("\r\n|[\r\n\x85\u2028\u2029]")  # what libyaml counts as the end of a line

NodeKind = Literal["text", "list", "map", "refused"]


@dataclass(frozen=True, slots=True)
class Node:
    """One value of a YAML file.

    kind      text, list, map; `refused` stands for something that already has its finding
    text      the scalar as written, after folding and unquoting
    raw       its characters in the file, from `position` on: gives the column of a word inside it
    items     of a list
    entries   of a map: (key, value) in file order
    """

    kind: NodeKind
    position: Position
    text: str = ""
    raw: str = ""
    items: tuple[Node, ...] = ()
    entries: tuple[tuple[Node, Node], ...] = ()
    quoted: bool = False

    @property
    def empty(self) -> bool:
        """True where a key stands without a value."""
        return self.kind == "text" and not self.text and not self.quoted

    def get(self, key: str) -> Node | None:
        """The value of a map's key, or None."""
        return next((value for name, value in self.entries if name.text == key), None)

    def plain(self) -> Any:
        """The tree as dicts, lists and texts, without positions."""
        if self.kind == "map":
            return {key.text: value.plain() for key, value in self.entries}
        if self.kind == "list":
            return [item.plain() for item in self.items]
        return self.text

    def inside(self, offset: int) -> Position:
        """The place in the file of the character at `offset` of `text`."""
        lines = _BREAK.split(self.raw[: _raw_offset(self.raw, self.text, offset)])
        if len(lines) == 1:
            return replace(self.position, column=self.position.column + len(lines[0]))
        return replace(self.position, line=self.position.line + len(lines) - 1, column=len(lines[-1]) + 1)


def _raw_offset(raw: str, text: str, offset: int) -> int:
    """Walk raw and folded text together; a run of whitespace matches any other, other marks are skipped."""
    at = _body(raw)
    for before, char in zip(" " + text, text[:offset], strict=False):
        if not char.isspace():
            at = _next(raw, at, char) + 1
        elif not before.isspace():
            at = _next(raw, at, char) + 1
            while at < len(raw) and raw[at].isspace():
                at += 1
    if offset < len(text):
        at = _next(raw, at, text[offset])
    return at if at < len(raw) else 0


def _body(raw: str) -> int:
    """Where the scalar's own characters begin: after a block's header line, a quote, or at once."""
    if raw[:1] in {"|", ">"}:
        header = _BREAK.search(raw)
        return header.end() if header else len(raw)
    return 1 if raw[:1] in {"'", '"'} else 0


def _next(raw: str, at: int, char: str) -> int:
    """The index at or after `at` of the raw character that stands for `char`."""
    while at < len(raw) and not (raw[at] == char or (char.isspace() and raw[at].isspace())):
        at += 1
    return at


@dataclass(slots=True)
class _Open:
    """A list or map whose end has not been read yet."""

    node: Node
    children: list[Node] = field(default_factory=list)


class _Refused(Exception):  # noqa: N818 - internal signal, never leaves this module
    """Reading cannot go on."""


def read_yaml(source: str | bytes, file: str = "") -> tuple[Node | None, tuple[Finding, ...]]:
    """Read one YAML document.

    Returns the tree and the findings. The tree is None where nothing can be said about the content: bytes that
    are not UTF-8, a syntax error, a limit. Never raises on any input.
    """
    found: list[Finding] = []
    text = _decode(source, file, found)
    if text is None:
        return None, tuple(found)
    try:
        root = _Builder(text, file, found).build()
    except _Refused:
        root = None
    except yaml.YAMLError as error:
        found.append(_syntax(error, file))
        root = None
    return root, tuple(found)


def _decode(source: str | bytes, file: str, found: list[Finding]) -> str | None:
    try:
        data = source.encode("utf-8") if isinstance(source, str) else source
        text = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeError as error:
        place = source[: error.start] if isinstance(error, UnicodeDecodeError) and isinstance(source, bytes) else b""
        line = bytes(place).count(b"\n") + 1
        details = f"the file is not UTF-8: line {line} has bytes that are no text"
        found.append(finding("WKP101", details, Position(file, line, 1)))
        return None
    if len(data) > MAX_BYTES:
        details = f"the file has {len(data):,} bytes, at most {MAX_BYTES:,} are read"
        found.append(finding("WKP102", details, Position(file, 1, 1)))
        return None
    return text


# What the reader of YAML says -> what a person did.
_REMEDIES = {
    "tab character": "Take the tab out: lines are moved in with spaces.",
    "cannot start any token": "Here stands a tab, where only spaces move a line in, or a text that begins with @, ` "
    "or % and has no quotation marks.",
    "mapping values are not allowed": "Either a text with a colon in it has no quotation marks, or this line is moved "
    "in further than the one before it.",
}


def _syntax(error: yaml.YAMLError, file: str) -> Finding:
    mark = getattr(error, "problem_mark", None)
    position = Position(file, mark.line + 1, mark.column + 1) if mark is not None else Position(file, 1, 1)
    problem = getattr(error, "problem", None) or getattr(error, "reason", None) or "cannot be read"
    context = getattr(error, "context", None)
    remedy = next((told for said, told in _REMEDIES.items() if said in problem), "")
    return finding("WKP103", f"not YAML: {problem}" + (f" {context}" if context else ""), position, remedy)


class _Builder:
    """Builds the tree from parse events, one after the other, so that no input can exhaust the stack."""

    def __init__(self, text: str, file: str, found: list[Finding]) -> None:
        self.text, self.file, self.found = text, file, found
        self.starts = [0, *(m.end() for m in _BREAK.finditer(text))]
        self.stack: list[_Open] = []
        self.root: Node | None = None
        self.documents = self.count = 0

    def build(self) -> Node | None:
        for event in self._events():
            self._take(event)
            if self.documents > 1:
                self._refuse("WKP104", "a second document begins here, one file holds one document", event)
                break
        if self.root is None and not self.found:
            self.found.append(finding("WKP105", "the file is empty", Position(self.file, 1, 1)))
        return self.root

    def _events(self) -> Iterator[Any]:
        yield from yaml.parse(self.text, Loader=_LOADER)

    def _take(self, event: Any) -> None:
        match event:
            case yaml.DocumentStartEvent():
                self.documents += 1
            case yaml.AliasEvent():
                self._refuse("WKP106", f"alias *{event.anchor}", event)
                self._add(Node("refused", self._position(event)))
            case yaml.ScalarEvent():
                self._marks(event)
                self._add(self._scalar(event))
            case yaml.SequenceStartEvent() | yaml.MappingStartEvent():
                self._marks(event)
                kind: NodeKind = "list" if isinstance(event, yaml.SequenceStartEvent) else "map"
                self._open(Node(kind, self._position(event)), event)
            case yaml.SequenceEndEvent() | yaml.MappingEndEvent():
                self._add(self._closed(self.stack.pop()))

    def _open(self, node: Node, event: Any) -> None:
        if len(self.stack) >= MAX_DEPTH:
            self._refuse("WKP102", f"nested deeper than {MAX_DEPTH} levels", event)
            raise _Refused
        self.stack.append(_Open(node))

    def _marks(self, event: Any) -> None:
        """Anchors and tags are refused; the value itself is still read, so that its own faults are found too."""
        if event.anchor is not None:
            self._refuse("WKP106", f"anchor &{event.anchor}", event)
        if event.tag is not None:
            self._refuse("WKP107", f"tag {event.tag}", event)

    def _scalar(self, event: Any) -> Node:
        start, end = self._index(event.start_mark), self._index(event.end_mark)
        quoted = event.style not in {None, ""}  # libyaml gives "" for a plain scalar
        return Node("text", self._position(event), event.value, self.text[start:end], quoted=quoted)

    def _add(self, node: Node) -> None:
        self.count += 1
        if self.count > MAX_NODES:
            self.found.append(finding("WKP102", f"more than {MAX_NODES:,} values", node.position))
            raise _Refused
        if self.stack:
            self.stack[-1].children.append(node)
        elif self.root is None:
            self.root = node

    def _closed(self, opened: _Open) -> Node:
        if opened.node.kind == "list":
            return replace(opened.node, items=tuple(opened.children))
        return replace(opened.node, entries=tuple(self._entries(opened.children)))

    def _entries(self, children: Sequence[Node]) -> Iterator[tuple[Node, Node]]:
        first: dict[str, Node] = {}
        for key, value in zip(children[::2], children[1::2], strict=True):
            if key.kind != "text":
                if key.kind != "refused":
                    self.found.append(finding("WKP108", f"a {key.kind} stands where a key must stand", key.position))
            elif key.text in first:
                details = f"key {key.text!r} stands here again, first in line {first[key.text].position.line}"
                self.found.append(finding("WKP109", details, key.position))
            else:
                first[key.text] = key
                yield key, value

    def _refuse(self, code: str, details: str, event: Any) -> None:
        self.found.append(finding(code, details, self._position(event)))

    def _position(self, event: Any) -> Position:
        return Position(self.file, event.start_mark.line + 1, event.start_mark.column + 1)

    def _index(self, mark: Any) -> int:
        line = min(int(mark.line), len(self.starts) - 1)
        return min(self.starts[line] + int(mark.column), len(self.text))
