"""Overlays: what a clinic changes in a pathway. They change the tree of nodes, before it is read by the schema.

So a changed item is checked as strictly as a written one, and its faults are found in the overlay's own file.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

from waykeeper.findings import Finding, Position, did_you_mean, finding
from waykeeper.pathway.clinic import check_policies
from waykeeper.pathway.model import Overlay
from waykeeper.pathway.reader import Node, read_yaml
from waykeeper.pathway.schema import OVERLAY
from waykeeper.pathway.strict import Fields, read_record
from waykeeper.pathway.tree import Path, entries_of, find, item_of, items_of, named_places, put


def read_overlay(
    name: str, source: str | bytes, policies: Collection[str] | None = None
) -> tuple[Overlay | None, Fields | None, tuple[Finding, ...]]:
    """Read one overlay by its schema: its value, its fields for `Overlaid`, and the findings."""
    root, reading = read_yaml(source, name)
    found = list(reading)
    if root is None:
        return None, None, tuple(found)
    fields = read_record(root, OVERLAY, found)
    check_policies(fields.nodes.get("policies"), policies, found)
    if not any(key in fields.nodes for key in ("add", "replace", "remove", "policies")):
        details = "the overlay has neither add, replace, remove nor policies, it changes nothing"
        found.append(finding("WKP601", details, root.position))
    overlay = Overlay(
        fields.text("overlay"), fields.text("title"), fields.texts("for"), fields.text("version"),
        fields.text("why"), dict(fields.map("policies")), name,
    )  # fmt: skip
    return overlay, fields, tuple(found)


@dataclass(slots=True)
class Overlaid:
    """A pathway's tree while overlays are laid over it, one after the other."""

    root: Node
    found: list[Finding]
    changed: dict[str, tuple[str, ...]] = field(default_factory=dict)  # item name -> overlays
    touched: dict[Path, str] = field(default_factory=dict)  # place -> overlay that changed it
    places: dict[str, list[Position]] = field(default_factory=dict)  # item name -> where overlays changed it
    policies: dict[str, str] = field(default_factory=dict)
    _set_by: dict[str, str] = field(default_factory=dict)
    _name: str = ""

    def lay(self, overlay: Overlay, fields: Fields) -> None:
        """Apply one overlay; what does not fit becomes findings in its file."""
        self._name = overlay.name
        pathway = self.root.get("pathway")
        name = pathway.text if pathway is not None else ""
        if "any" not in overlay.pathways and name not in overlay.pathways:
            details = f"overlay {overlay.name!r} is for {', '.join(overlay.pathways)}, not for {name!r}"
            self.found.append(finding("WKP602", details, fields.at("for")))
            return
        if "add" in fields.values:
            self._add((), fields.nodes["add"])
        for target, keys in entries_of(fields.nodes.get("replace")):
            self._replace(target, keys)
        for target in _items(fields.nodes.get("remove")):
            self._remove(target)
        self._set_policies(fields)

    def _set_policies(self, fields: Fields) -> None:
        for key, value in entries_of(fields.nodes.get("policies")):
            other = self._set_by.get(key.text)
            if other is not None and self.policies[key.text] != value.text:
                there = f"{self.policies[key.text]!r} in overlay {other!r}"
                details = f"policy {key.text!r} is {value.text!r} here and {there}"
                self.found.append(finding("WKP603", details, key.position))
            self.policies[key.text] = value.text
            self._set_by[key.text] = self._name

    def _add(self, path: Path, new: Node) -> None:
        """Walk down where both trees have a mapping; what the pathway lacks there is added."""
        for key, value in new.entries:
            here = (*path, key.text)
            held = find(self.root, here)
            if held is None:
                if self._free(here, key):
                    self.root = put(self.root, here, key, value)
                    self._note(here, key.position)
            elif value.kind == "map" and held.kind == "map" and not _taken(here, held, value):
                self._add(here, value)
            elif self._free(here, key):
                details = f"{'.'.join(here)} is there already, at {held.position}"
                self.found.append(finding("WKP604", details, key.position))

    def _replace(self, target: Node, keys: Node) -> None:
        path = self._path(target)
        if path is None or keys.kind != "map":
            return
        for key, value in keys.entries:
            here = (*path, key.text)
            held = find(self.root, here)
            if not self._free(here, key):
                continue
            if held is not None and held.plain() == value.plain():
                details = f"{target.text}.{key.text} has this value already, at {held.position}"
                self.found.append(finding("WKP601", details, key.position))
                continue
            self.root = put(self.root, here, key, value)
            self._note(here, target.position)

    def _remove(self, target: Node) -> None:
        name, _, key = target.text.partition(".")
        path = self._path(replace(target, text=name))
        if path is None:
            return
        here = (*path, key) if key else path
        held = find(self.root, path)
        if held is None or (key and held.get(key) is None):
            keys = [k.text for k, _ in held.entries] if held is not None else []
            details = f"{name!r} has no key {key!r}, nothing is removed"
            self.found.append(finding("WKP601", details, target.position, did_you_mean(key, keys)))
        elif self._free(here, target):
            self.root = put(self.root, here, target, None)
            self._note(here, target.position)

    def _path(self, target: Node) -> Path | None:
        """Where the named item, fact, anchor or phase stands in the tree."""
        places = dict(named_places(self.root))
        if target.text in places:
            return places[target.text]
        gone = next((o for p, o in self.touched.items() if p[-1] == target.text.split()[-1]), None)
        if gone is not None:
            details = f"{target.text!r} was removed by overlay {gone!r}"
            self.found.append(finding("WKP603", details, target.position))
            return None
        near = did_you_mean(target.text, places)
        self.found.append(finding("WKP605", f"the pathway has no {target.text!r} to change", target.position, near))
        return None

    def _free(self, here: Path, key: Node) -> bool:
        """False, with a finding, where another overlay changed the same place, something inside it or around it."""
        for path, other in self.touched.items():
            short = min(len(path), len(here))
            if other != self._name and path[:short] == here[:short]:
                details = f"{'.'.join(here)} is changed here and in overlay {other!r}"
                self.found.append(finding("WKP603", details, key.position))
                return False
        return True

    def _note(self, here: Path, at: Position) -> None:
        self.touched[here] = self._name
        for item in items_of(here, self.root):
            self.places.setdefault(item, []).append(at)
            if self._name not in self.changed.get(item, ()):
                self.changed[item] = (*self.changed.get(item, ()), self._name)


def _taken(path: Path, held: Node, new: Node) -> bool:
    """True where a whole fact, anchor or item would be added again: it has a key that the new one has too."""
    whole = path[-1] == item_of(path) or path[:-1] in {("facts",), ("anchors",)}
    return whole and any(held.get(key.text) is not None for key, _ in new.entries)


def _items(node: Node | None) -> tuple[Node, ...]:
    return tuple(item for item in node.items if item.kind == "text") if node is not None else ()


def apply(root: Node, overlays: list[tuple[Overlay, Fields]], found: list[Finding]) -> Overlaid:
    """Lay the overlays over the pathway's tree in their order."""
    overlaid = Overlaid(root, found)
    for overlay, fields in overlays:
        overlaid.lay(overlay, fields)
    return overlaid
