"""The tree of a pathway file as places: found, put, named. Overlays and included parts change it before it is read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from waykeeper.pathway.reader import Node
from waykeeper.pathway.schema import KINDS

Path = tuple[str, ...]  # keys from the root of the pathway file


def find(root: Node, path: Path) -> Node | None:
    """The node at a path of keys, or None."""
    node: Node | None = root
    for key in path:
        node = node.get(key) if node is not None else None
    return node


def put(root: Node, path: Path, key: Node, value: Node | None) -> Node:
    """The tree with the value at the path: in place of the one there, else last; None takes it out.

    The key keeps its old node (and so the item its origin) unless it is new.
    """
    head, rest = path[0], path[1:]
    held = root.get(head)
    if rest:
        inner = held if held is not None and held.kind == "map" else Node("map", key.position)
        new: Node | None = put(inner, rest, key, value)
    else:
        new = value
    if held is None:
        return root if new is None else replace(root, entries=(*root.entries, (replace(key, text=head), new)))
    kept = ((k, new if k.text == head else v) for k, v in root.entries)
    return replace(root, entries=tuple((k, v) for k, v in kept if v is not None))


def named_places(root: Node) -> Iterator[tuple[str, Path]]:
    """Everything that an overlay may name: items by their name, `fact X`, `anchor X`, `phase X`."""
    for key, value in root.entries:
        if key.text in {"facts", "anchors", "phases"}:
            for name, inner in entries_of(value):
                yield f"{key.text[:-1]} {name.text}", (key.text, name.text)
                for kind, items in entries_of(inner) if key.text == "phases" else ():
                    yield from _named(items, (key.text, name.text, kind.text))
        else:
            yield from _named(value, (key.text,))


def _named(items: Node, path: Path) -> Iterator[tuple[str, Path]]:
    if path[-1] in KINDS:
        for name, _ in entries_of(items):
            yield name.text, (*path, name.text)


def item_of(path: Path) -> str:
    """The item that a path leads to or into, or ""."""
    if path[0] == "phases" and len(path) > 3 and path[2] in KINDS:
        return path[3]
    return path[1] if path[0] in KINDS and len(path) > 1 else ""


def items_of(path: Path, root: Node) -> list[str]:
    """The names of the items that lie on a changed path or under it. A phase's own keys (title, days) are no item's."""
    if item_of(path):
        return [item_of(path)]
    return [place[-1] for _, place in named_places(root) if place[: len(path)] == path and item_of(place)]


def entries_of(node: Node | None) -> tuple[tuple[Node, Node], ...]:
    """The entries of a mapping; none where there is no node."""
    return node.entries if node is not None else ()
