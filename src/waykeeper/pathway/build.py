"""From the tree of a pathway file to its values, keeping each value beside the node that it came from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from waykeeper.findings import Finding, Position, finding
from waykeeper.pathway.model import (
    AnchorRule,
    Coding,
    FactRule,
    Kind,
    Named,
    Pathway,
    PathwayItem,
    Phase,
    Recognise,
    Source,
)
from waykeeper.pathway.reader import Node
from waykeeper.pathway.schema import KINDS, PATHWAY
from waykeeper.pathway.strict import Fields, Record, read_record

HOLDS = "holds"  # the name of a single unnamed hold, and in `needs` the word for all holds
_HOLD_TITLE = "Medicines that may need a pause"


@dataclass(frozen=True, slots=True)
class Drafted:
    """An item with the node of its name and the nodes of its keys."""

    item: PathwayItem
    key: Node
    fields: Fields


@dataclass(frozen=True, slots=True)
class Draft:
    """A pathway as read, not yet known to make sense."""

    pathway: Pathway
    root: Fields
    items: tuple[Drafted, ...]
    phases: tuple[tuple[Phase, Fields], ...]
    anchors: tuple[tuple[AnchorRule, Fields], ...]
    facts: tuple[tuple[FactRule, Fields], ...]
    reading: Mapping[str, int]


def name_single_hold(root: Node) -> Node:
    """`holds: {rules: ...}` is one hold without a name: give it the name `holds`."""
    if root.kind != "map":
        return root
    return replace(root, entries=tuple((key, _named_hold(key, value)) for key, value in root.entries))


def _named_hold(key: Node, value: Node) -> Node:
    rules = value.get("rules") if key.text == HOLDS and value.kind == "map" else None
    if rules is None or rules.kind == "map":
        return value
    return Node("map", value.position, entries=((key, value),))


def draft(
    root: Node, found: list[Finding], changed: Mapping[str, tuple[str, ...]] | None = None, shape: Record = PATHWAY
) -> Draft:
    """Read the tree of a pathway, or of a part, by its schema. `changed`: item name -> the overlays that touched it."""
    fields = read_record(root, shape, found)
    items: list[Drafted] = []
    phases: list[tuple[Phase, Fields]] = []
    for key, value in fields.node.entries:
        if key.text == "phases":
            for name, inner in _entries(fields, key.text):
                phases.append((_phase(name.text, inner), inner))
                for plural, _ in inner.node.entries:
                    items += _items(inner, plural.text, name.text, changed or {})
        elif key.text in KINDS and value.kind == "map":
            items += _items(fields, key.text, "", changed or {})
    anchors = tuple((_anchor(name, inner), inner) for name, inner in _entries(fields, "anchors"))
    facts = tuple((_fact(name, inner), inner) for name, inner in _entries(fields, "facts"))
    unique = tuple(_unique(items, found))
    pathway = Pathway(
        fields.text("pathway"), fields.text("version"), fields.text("url"), fields.text("title"),
        tuple(a for a, _ in anchors), tuple(f for f, _ in facts), tuple(p for p, _ in phases),
        tuple(d.item for d in unique),
        codes={name: _codings(value) for name, value in fields.map("codes").items()},
        file=root.position.file, words=dict(fields.map("words")),
    )  # fmt: skip
    return Draft(pathway, fields, unique, tuple(phases), anchors, facts, dict(fields.map("reading")))


def _entries(fields: Fields, key: str) -> Iterator[tuple[Node, Fields]]:
    """The named records under a key, in file order, with the nodes of their names."""
    values = fields.map(key)
    node = fields.nodes.get(key)
    for name, _ in node.entries if node is not None else ():
        inner = values.get(name.text)
        if isinstance(inner, Fields):
            yield name, inner


def _items(fields: Fields, plural: str, phase: str, changed: Mapping[str, tuple[str, ...]]) -> Iterator[Drafted]:
    if plural not in KINDS:
        return
    kind: Any = KINDS[plural][0]
    for name, inner in _entries(fields, plural):
        yield Drafted(_item(kind, name, inner, phase, changed.get(name.text, ())), name, inner)


def _unique(items: list[Drafted], found: list[Finding]) -> list[Drafted]:
    """The items without those whose name was taken before: a name is one item's, whatever its kind and phase."""
    first: dict[str, Drafted] = {}
    for one in items:
        known = first.setdefault(one.item.name, one)
        if known is not one:
            where = f"the {known.item.kind} at {known.key.position}"
            details = f"{one.item.kind} {one.item.name!r} has the name of {where}, a name belongs to one item"
            found.append(finding("WKP401", details, one.key.position))
    return list(first.values())


def _item(kind: Kind, name: Node, fields: Fields, phase: str, overlays: tuple[str, ...]) -> PathwayItem:
    hold = kind == "hold"
    return PathwayItem(
        kind, name.text, fields.text("title", _HOLD_TITLE if hold else ""), phase,
        who=fields.text("who", "prescriber" if hold else ""), why=fields.text("why"),
        source=_source(fields.record("source")), harm=fields.values.get("harm", 3 if hold else 1),
        only_if=fields.texts("only_if"), unless=fields.texts("unless"), words=dict(fields.map("words")),
        at=_named(fields), by=fields.text("by"), starts=fields.text("from"), before=fields.text("before"),
        valid_for=fields.text("valid_for"), redo=fields.text("redo"), needs=fields.texts("needs"),
        roll=fields.text("roll"), window=fields.text("window"), book_from=fields.text("book_from"),
        minutes=fields.values.get("minutes", 0), recognise=_recognise(fields.record("recognise")),
        rules=fields.texts("rules"), until=fields.text("until"), at_least=fields.text("at_least"),
        released_by=fields.text("released_by"), measure=fields.text("measure"), target=fields.text("target"),
        overlays=overlays, origin=replace(name.position, path=f"{kind}/{name.text}"),
    )  # fmt: skip


def _named(fields: Fields) -> tuple[Named, ...]:
    if fields.map("at"):
        return tuple(Named(name, phrase) for name, phrase in fields.map("at").items())
    return (Named("", fields.text("at")),) if fields.text("at") else ()


def _source(fields: Fields) -> Source:
    return Source(fields.text("cite"), fields.text("grade", "common practice"))


def _recognise(fields: Fields) -> Recognise:
    values = fields.values
    return Recognise(
        _codings(values.get("service_type", ())), _codings(values.get("specialty", ())),
        fields.texts("words"), bool(values.get("telehealth", False)),
    )  # fmt: skip


def _codings(values: Any) -> tuple[Coding, ...]:
    return tuple(_coding(value) for value in values)


def _coding(value: Any) -> Coding:
    if isinstance(value, Fields):
        return Coding(value.text("system"), value.text("code"), value.text("display"))
    system, _, code = str(value).partition("|")
    return Coding(system, code)


def _phase(name: str, fields: Fields) -> Phase:
    return Phase(name, fields.text("title"), fields.text("days"), dict(fields.map("words")))


def _anchor(name: Node, fields: Fields) -> AnchorRule:
    proof = fields.record("recognise")
    recognise = {key: proof.texts(key) for key in ("procedure", "encounter_end") if key in proof.values}
    return AnchorRule(
        name.text, fields.values.get("required", False), fields.text("assume"),
        fields.values.get("awaited", False), recognise, _origin(name, "anchor"),
    )  # fmt: skip


def _fact(name: Node, fields: Fields) -> FactRule:
    return FactRule(name.text, fields.text("yes"), fields.text("no"), fields.text("ask"), _origin(name, "fact"))


def _origin(name: Node, kind: str) -> Position:
    return replace(name.position, path=f"{kind}/{name.text}")
