"""Included parts: what pathways share, put into a pathway's tree before overlays are laid over it and it is read.

A part is a file of items. Whoever includes it names the version that was reviewed, and says under `replace` and
`remove` what differs: so a change of a part is seen in every file that includes it, and its faults at its own place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from waykeeper.findings import Finding, Position, did_you_mean, finding
from waykeeper.pathway.build import name_single_hold
from waykeeper.pathway.model import PartRef
from waykeeper.pathway.reader import Node, read_yaml
from waykeeper.pathway.schema import INCLUDES, KINDS, PART, SHARED_KEYS
from waykeeper.pathway.shelf import Parts, Source
from waykeeper.pathway.strict import Fields, Key, Record, Tree, convert, read_record
from waykeeper.pathway.tree import Path, entries_of, find, item_of, items_of, named_places, put

# What a part alone says of itself. Its items are read by the schema once, in the pathway that they come into.
_HEAD = Record(PART.name, tuple(Key(k.name, Tree(), k.note) if k.name in SHARED_KEYS else k for k in PART.keys))
# Keys that hold the numbers of an item: whoever changes one says where the new one comes from.
NUMBERS = frozenset({"at", "by", "from", "window", "valid_for", "at_least", "target"})
_READ_IN_ORDER = ("visits", "tasks", "instructions", "holds", "restrictions", "goals", "gates")


@dataclass(slots=True)
class Included:
    """A pathway's tree with its parts put in."""

    root: Node
    parts: list[PartRef] = field(default_factory=list)
    given: dict[str, str] = field(default_factory=dict)  # item -> the part that gave it
    changed: dict[str, list[Position]] = field(default_factory=dict)  # item -> where a file that includes changed it


def include(root: Node, parts: Parts, found: list[Finding]) -> Included:
    """The tree of a pathway with all that it includes; what does not fit becomes findings at its place."""
    return _Includer(parts, found).file(root, ())


@dataclass(slots=True)
class _Includer:
    """Reads each part once; `stack` of its methods holds the names of the parts that are being included."""

    parts: Parts
    found: list[Finding]
    seen: dict[str, Position] = field(default_factory=dict)

    def file(self, root: Node, stack: tuple[str, ...]) -> Included:
        """One file with its parts: theirs first, in order, then its own."""
        node = root.get("include")
        wanted = convert(node, INCLUDES, self.found, "include") if node is not None else ()
        made = Included(Node("map", root.position))
        for one in wanted or ():
            given = self._part(one, stack)
            if given is not None:
                _changes(given, one, self.found)
                self._join(made, given)
        if wanted:
            own = replace(root, entries=tuple((k, v) for k, v in root.entries if k.text in SHARED_KEYS))
            self._add(made, (), own)
            head = tuple((k, v) for k, v in root.entries if k.text not in SHARED_KEYS)
            made.root = _kinds_in_order(replace(root, entries=(*head, *made.root.entries)))
        else:
            made.root = root
        return made

    def _part(self, one: Fields, stack: tuple[str, ...]) -> Included | None:
        name, place = one.text("part"), one.at("part")
        if not name:
            return None
        if name in stack:
            ring = " -> ".join([*stack[stack.index(name) :], name])
            self._refuse("WKP612", f"parts include each other in a circle: {ring}", place)
        elif name in self.seen:
            self._refuse("WKP613", f"part {name!r} is included already, at {self.seen[name]}", place)
        elif (source := self.parts(name)) is None:
            self._refuse("WKP611", f"there is no part {name!r}", place)
        else:
            self.seen[name] = place
            return self._read(name, one, source, (*stack, name))
        return None

    def _read(self, name: str, one: Fields, source: Source, stack: tuple[str, ...]) -> Included | None:
        root, reading = read_yaml(source[1], source[0])
        self.found += reading
        if root is None:
            return None
        head = read_record(root, _HEAD, self.found)
        if root.kind != "map" or not self._is_part(name, head, one):
            return None
        made = self.file(name_single_hold(root), stack)
        made.root = replace(made.root, entries=tuple((k, v) for k, v in made.root.entries if k.text in SHARED_KEYS))
        for item, _ in _item_places(made.root):
            made.given.setdefault(item, name)
        made.parts.append(PartRef(name, head.text("version"), source[0]))
        return made

    def _is_part(self, name: str, head: Fields, one: Fields) -> bool:
        """The file is what it is called; its version is looked at, and a wrong one is a finding."""
        if "part" not in head.values:
            return False
        if head.text("part") != name:
            self._refuse("WKP611", f"the file of part {name!r} calls itself {head.text('part')!r}", one.at("part"))
            return False
        asked, held = one.text("version"), head.text("version")
        if asked and held and asked != held:
            details = f"part {name!r} is version {held} now, this file was written for {asked}"
            self._refuse("WKP614", details, one.at("version"))
        return True

    def _refuse(self, code: str, details: str, place: Position) -> None:
        self.found.append(finding(code, details, place))

    def _join(self, made: Included, given: Included) -> None:
        """Put one part beside those before it."""
        self._add(made, (), given.root)
        made.parts += given.parts
        made.given |= given.given
        for item, places in given.changed.items():
            made.changed.setdefault(item, []).extend(places)

    def _add(self, made: Included, path: Path, new: Node) -> None:
        """Walk down where both have a mapping; what is not there yet is put there, what is there twice is a finding."""
        for key, value in new.entries:
            here = (*path, key.text)
            held = find(made.root, here)
            if held is None:
                made.root = put(made.root, here, key, value)
                self._added(made, here, key)
            elif value.kind == "map" and held.kind == "map" and not _whole(here, held, value):
                self._add(made, here, value)
            else:
                details = f"{'.'.join(here)} stands here and in an included part, at {held.position}"
                self._refuse("WKP615", details, key.position)

    def _added(self, made: Included, here: Path, key: Node) -> None:
        """A key put to an item that a part gave is a change of it."""
        item = item_of(here)
        if item not in made.given:
            return
        made.changed.setdefault(item, []).append(key.position)
        if key.text in NUMBERS:
            details = f"{key.text} of {item!r} is added to what the part says, and no source of its own is given"
            self._refuse("WKP619", details, key.position)


def _kinds_in_order(root: Node) -> Node:
    """The kinds of each phase in the order in which a phase is read, whichever file brought them."""
    phases = root.get("phases")
    if phases is None or phases.kind != "map":
        return root
    inner = ((key, replace(phase, entries=tuple(sorted(phase.entries, key=_rank)))) for key, phase in phases.entries)
    ordered = replace(phases, entries=tuple(inner))
    return replace(root, entries=tuple((k, ordered if k.text == "phases" else v) for k, v in root.entries))


def _rank(entry: tuple[Node, Node]) -> int:
    return _READ_IN_ORDER.index(entry[0].text) if entry[0].text in _READ_IN_ORDER else -1


def _whole(path: Path, held: Node, new: Node) -> bool:
    """True where an item or fact is written a second time, and not only keys that it lacks."""
    named = (len(path) > 1 and item_of(path) == path[-1]) or path[:-1] == ("facts",)
    return named and any(held.get(key.text) is not None for key, _ in new.entries)


def _item_places(root: Node) -> Iterator[tuple[str, Path]]:
    return ((name, path) for name, path in named_places(root) if " " not in name)


def _changes(given: Included, one: Fields, found: list[Finding]) -> None:
    """What the including file replaces in a part and removes from it."""
    part = one.text("part")
    touched: dict[Path, Position] = {}
    for target, keys in entries_of(one.nodes.get("replace")):
        path = _place(given.root, part, target, found)
        if path is not None and keys.kind == "map":
            _replace(given, path, target, keys, touched, found)
    for target in one.nodes["remove"].items if "remove" in one.nodes else ():
        if target.kind == "text":
            _remove(given, part, target, touched, found)


def _place(root: Node, part: str, target: Node, found: list[Finding]) -> Path | None:
    places = dict(named_places(root))
    if target.text not in places:
        details = f"part {part!r} has no {target.text!r} to change"
        found.append(finding("WKP616", details, target.position, did_you_mean(target.text, places)))
    return places.get(target.text)


def _replace(
    given: Included, path: Path, target: Node, keys: Node, touched: dict[Path, Position], found: list[Finding]
) -> None:
    for key, value in keys.entries:
        held = find(given.root, (*path, key.text))
        if held is not None and held.plain() == value.plain():
            details = f"{target.text}.{key.text} has this value in the part already, at {held.position}"
            found.append(finding("WKP617", details, key.position))
            continue
        given.root = put(given.root, (*path, key.text), key, value)
        touched[(*path, key.text)] = key.position
    _mark(given, path, target.position)
    numbers = [key for key, _ in keys.entries if key.text in NUMBERS]
    if item_of(path) and numbers and keys.get("source") is None:
        details = f"{numbers[0].text} of {target.text!r} differs from the part, and no source of its own is given"
        found.append(finding("WKP619", details, numbers[0].position))


def _remove(given: Included, part: str, target: Node, touched: Mapping[Path, Position], found: list[Finding]) -> None:
    name, _, key = target.text.partition(".")
    path = _place(given.root, part, replace(target, text=name), found)
    if path is None:
        return
    here = (*path, key) if key else path
    twice = next((place for other, place in touched.items() if other[: len(here)] == here), None)
    if twice is not None:
        details = f"{target.text!r} is removed here and replaced at {twice}"
        found.append(finding("WKP618", details, target.position))
    elif find(given.root, here) is None:
        held = find(given.root, path)
        keys = [k.text for k, _ in entries_of(held)]
        details = f"{name!r} of part {part!r} has no key {key!r}, nothing is removed"
        found.append(finding("WKP617", details, target.position, did_you_mean(key, keys)))
    else:
        _mark(given, path, target.position)
        given.root = put(given.root, here, target, None)


def _mark(given: Included, path: Path, place: Position) -> None:
    for item in items_of(path, given.root) if path[0] not in {"facts", "anchors"} else ():
        if path[0] != "phases" or len(path) > 2:  # a phase's own title and days are no item's
            given.changed.setdefault(item, []).append(place)


def place_items(root: Node, found: list[Finding]) -> Node:
    """Each item with `listed_before` in its place among those of its phase and kind. Order is all that it changes."""
    entries = []
    for key, value in root.entries:
        if key.text == "phases" and value.kind == "map":
            entries.append((key, replace(value, entries=tuple((k, place_items(v, found)) for k, v in value.entries))))
        elif key.text in KINDS and value.kind == "map":
            entries.append((key, replace(value, entries=tuple(_ordered(value, found)))))
        else:
            entries.append((key, value))
    return replace(root, entries=tuple(entries))


def _ordered(kind: Node, found: list[Finding]) -> list[tuple[Node, Node]]:
    names = [key.text for key, _ in kind.entries]
    placed = {key.text: where for key, value in kind.entries if (where := value.get("listed_before")) is not None}
    if not placed:
        return list(kind.entries)
    made = [pair for pair in kind.entries if pair[0].text not in placed]
    for key, value in kind.entries:
        where = placed.get(key.text)
        if where is None:
            continue
        at = next((i for i, (other, _) in enumerate(made) if other.text == where.text), None)
        if at is None:
            known = [n for n in names if n not in placed]
            details = f"{key.text!r} is to stand before {where.text!r}, which is no other item of its phase and kind"
            found.append(finding("WKP620", details, where.position, did_you_mean(where.text, known)))
            at = len(made)
        made.insert(at, (key, value))
    return made
