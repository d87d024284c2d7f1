"""A strict reader of mappings: types as data, and every fault a finding at its place.

The schemas of pathway, overlay and clinic files are written in these types (`schema.py`); any other room reads
its own YAML with the same ones (`read_record`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from waykeeper.findings import Finding, Position, did_you_mean, finding
from waykeeper.pathway.reader import Node


@dataclass(frozen=True, slots=True)
class Text:
    """A text. `pattern` is a regular expression for the whole of it, `means` says it in words."""

    means: str = "a text"
    pattern: str = r"(?s).*\S.*"
    of: str = ""  # "phrase" and the like: what later checks read it as


@dataclass(frozen=True, slots=True)
class Int:
    """A whole number from `low` to `high`."""

    low: int = 0
    high: int = 1_000_000

    @property
    def means(self) -> str:
        """In words."""
        return f"a whole number from {self.low} to {self.high}"


@dataclass(frozen=True, slots=True)
class Bool:
    """`true` or `false`, no other spelling."""

    means: str = "true or false"


@dataclass(frozen=True, slots=True)
class Choice:
    """One of the allowed words."""

    allowed: tuple[str, ...]

    @property
    def means(self) -> str:
        """In words."""
        return "one of " + ", ".join(self.allowed)


@dataclass(frozen=True, slots=True)
class ListOf:
    """A list whose values are all of one type."""

    of: Type
    least: int = 1

    @property
    def means(self) -> str:
        """In words."""
        return f"a list of {self.of.means}"


ANY_NAME = Text("a name", r"[A-Za-z0-9][A-Za-z0-9_-]*")


@dataclass(frozen=True, slots=True)
class MapOf:
    """A mapping from free names to values of one type."""

    of: Type
    names: Text = ANY_NAME

    @property
    def means(self) -> str:
        """In words."""
        said = "" if self.names == ANY_NAME else f" ({self.names.means})"
        return f"a mapping of names{said} to {self.of.means}"


@dataclass(frozen=True, slots=True)
class Tree:
    """Any mapping, kept as its node: a later step reads it."""

    means: str = "a mapping"


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a record: its type, whether it must stand, and what it is for."""

    name: str
    type: Type
    note: str = ""
    required: bool = False


@dataclass(frozen=True, slots=True)
class Record:
    """A mapping with known keys."""

    name: str
    keys: tuple[Key, ...]

    @property
    def means(self) -> str:
        """In words."""
        return f"the keys of {self.name}"


@dataclass(frozen=True, slots=True)
class Either:
    """Different types for a text, a list or a mapping; at most one for each kind of node."""

    types: tuple[Type, ...]

    @property
    def means(self) -> str:
        """In words."""
        return " or ".join(t.means for t in self.types)


Type = Text | Int | Bool | Choice | ListOf | MapOf | Record | Tree | Either


@dataclass(frozen=True, slots=True)
class Fields:
    """A record as read: typed values and the nodes that they came from. Keys that were wrong are absent."""

    node: Node
    values: Mapping[str, Any] = field(default_factory=dict)
    nodes: Mapping[str, Node] = field(default_factory=dict)

    def text(self, key: str, default: str = "") -> str:
        """A text, or the default."""
        value = self.values.get(key, default)
        return value if isinstance(value, str) else default

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; a single text counts as a list of one."""
        value = self.values.get(key, ())
        return (value,) if isinstance(value, str) else tuple(v for v in value if isinstance(v, str))

    def record(self, key: str) -> Fields:
        """A nested record, empty where there is none."""
        value = self.values.get(key)
        return value if isinstance(value, Fields) else Fields(self.nodes.get(key, self.node))

    def map(self, key: str) -> Mapping[str, Any]:
        """A nested mapping, empty where there is none."""
        value = self.values.get(key)
        return value if isinstance(value, Mapping) else {}

    def at(self, key: str) -> Position:
        """The place of a key's value, else of the record."""
        return self.nodes[key].position if key in self.nodes else self.node.position


_KIND_OF: dict[type, str] = {
    Text: "text", Int: "text", Bool: "text", Choice: "text",
    ListOf: "list", MapOf: "map", Record: "map", Tree: "map",
}  # fmt: skip
_SHOWN = {"text": "a text", "list": "a list", "map": "a mapping"}


def read_record(node: Node, record: Record, found: list[Finding]) -> Fields:
    """Read a mapping strictly; each unknown, missing or wrong key becomes a finding in `found`."""
    value = convert(node, record, found, "")
    return value if isinstance(value, Fields) else Fields(node)


def convert(node: Node, wanted: Type, found: list[Finding], place: str) -> Any:
    """The typed value of a node, or None where it is wrong (then a finding says so)."""
    if node.kind == "refused":
        return None
    if isinstance(wanted, Either):
        return _either(node, wanted, found, place)
    if node.kind != _KIND_OF[type(wanted)] or node.empty:
        shown = "no value" if node.empty else _SHOWN[node.kind]
        return _wrong(node, f"{shown} stands here, it must be {wanted.means}", found, place)
    match wanted:
        case Record():
            return _record(node, wanted, found, place)
        case MapOf():
            return _map(node, wanted, found, place)
        case ListOf():
            return _list(node, wanted, found, place)
        case Tree():
            return node
    return _scalar(node, wanted, found, place)


def _either(node: Node, wanted: Either, found: list[Finding], place: str) -> Any:
    for one in wanted.types:
        if _KIND_OF[type(one)] == node.kind and not node.empty:
            return convert(node, one, found, place)
    shown = "no value" if node.empty else _SHOWN[node.kind]
    return _wrong(node, f"{shown} stands here, it must be {wanted.means}", found, place)


def _scalar(node: Node, wanted: Text | Int | Bool | Choice, found: list[Finding], place: str) -> Any:
    text = node.text
    match wanted:
        case Int() if re.fullmatch(r"0|[1-9][0-9]{0,8}", text) and wanted.low <= int(text) <= wanted.high:
            return int(text)
        case Bool() if text in {"true", "false"}:
            return text == "true"
        case Choice() if text in wanted.allowed:
            return text
        case Text() if re.fullmatch(wanted.pattern, text):
            return text
    hint = did_you_mean(text, wanted.allowed) if isinstance(wanted, Choice) else ""
    return _wrong(node, f"{_short(text)} stands here, it must be {wanted.means}", found, place, hint)


def _list(node: Node, wanted: ListOf, found: list[Finding], place: str) -> tuple[Any, ...]:
    if len(node.items) < wanted.least:
        _wrong(node, f"the list is empty, it must be {wanted.means}", found, place)
    values = (convert(item, wanted.of, found, place) for item in node.items)
    return tuple(v for v in values if v is not None)


def _map(node: Node, wanted: MapOf, found: list[Finding], place: str) -> dict[str, Any]:
    read: dict[str, Any] = {}
    for key, value in node.entries:
        if not re.fullmatch(wanted.names.pattern, key.text):
            _wrong(key, f"{_short(key.text)} stands here as a key, it must be {wanted.names.means}", found, place)
            continue
        one = convert(value, wanted.of, found, _join(place, key.text))
        if one is not None:
            read[key.text] = one
    return read


def _record(node: Node, wanted: Record, found: list[Finding], place: str) -> Fields:
    known = {key.name: key for key in wanted.keys}
    values: dict[str, Any] = {}
    nodes: dict[str, Node] = {}
    for name, value in node.entries:
        key = known.get(name.text)
        if key is None:
            details = f"unknown key {_short(name.text)} in {place or wanted.name}"
            found.append(finding("WKP201", details, name.position, did_you_mean(name.text, known)))
            continue
        one = convert(value, key.type, found, _join(place, key.name))
        nodes[key.name] = value
        if one is not None:
            values[key.name] = one
    for key in wanted.keys:
        if key.required and key.name not in nodes:
            details = f"missing key {key.name!r} in {place or wanted.name}: {key.note or key.type.means}"
            found.append(finding("WKP202", details, node.position))
    return Fields(node, values, nodes)


def _wrong(node: Node, details: str, found: list[Finding], place: str, help: str = "") -> None:  # noqa: A002
    found.append(finding("WKP203", f"{place}: {details}" if place else details, node.position, help))


def _join(place: str, name: str) -> str:
    return f"{place}.{name}" if place else name


def _short(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")
