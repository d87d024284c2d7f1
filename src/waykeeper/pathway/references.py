"""Names that must be the name of something: facts, items, anchors, events, rules."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.pathway.build import HOLDS, Draft, Drafted
from waykeeper.pathway.model import Clinic, PathwayItem
from waykeeper.pathway.phrasing import Phrased, Phrases
from waykeeper.pathway.reader import Node
from waykeeper.timing import Event, events

PATIENT = "patient"
STANDINGS = ("required", "assume", "awaited")


@dataclass(frozen=True, slots=True)
class _Names:
    """What may be named: anchors, what can be needed, and items by kind."""

    anchors: frozenset[str]
    needable: frozenset[str]
    items: Mapping[str, Mapping[str, PathwayItem]]

    @classmethod
    def of(cls, draft: Draft) -> _Names:
        items: dict[str, dict[str, PathwayItem]] = {"visit": {}, "task": {}, "gate": {}}
        for one in draft.items:
            items.setdefault(one.item.kind, {})[one.item.name] = one.item
        all_holds = {HOLDS} if "hold" in items else set()
        needable = frozenset(d.item.name for d in draft.items) | all_holds
        return cls(frozenset(a.name for a, _ in draft.anchors), needable, items)


def check(draft: Draft, phrases: Phrases, rule_names: Collection[str] | None, found: list[Finding]) -> None:
    """Every name that the pathway uses."""
    _anchors(draft, found)
    _conditions(draft, found)
    names = _Names.of(draft)
    for one in draft.items:
        _item_names(names, one, found)
        _rules(one, rule_names, found)
    for phrased in phrases.all:
        _events(names, phrased, found)


def check_roles(draft: Draft, clinic: Clinic | None, found: list[Finding]) -> None:
    """`who` and `released_by` are roles of the clinic, or the patient."""
    if clinic is None:
        return
    roles = {*clinic.roles, PATIENT}
    for one in draft.items:
        for key in ("who", "released_by"):
            role = one.fields.text(key)
            if role and role not in roles:
                details = f"{key} of {one.item.name!r} is {role!r}, a role that {clinic.name} does not have"
                found.append(finding("WKP708", details, one.fields.at(key), did_you_mean(role, roles)))


def _anchors(draft: Draft, found: list[Finding]) -> None:
    for anchor, fields in draft.anchors:
        ways = [way for way in STANDINGS if way in fields.nodes and fields.values.get(way, True)]
        if len(ways) != 1:
            shown = " and ".join(ways) if ways else "none of required, assume, awaited"
            details = f"anchor {anchor.name!r} has {shown}, it must have exactly one of the three"
            found.append(finding("WKP407", details, anchor.origin if not ways else fields.at(ways[-1])))
    if "anchors" in draft.root.values and not any("required" in fields.nodes for _, fields in draft.anchors):
        details = "no anchor is required, so nothing could be dated"
        found.append(finding("WKP407", details, draft.root.at("anchors")))


def _conditions(draft: Draft, found: list[Finding]) -> None:
    facts = {fact.name for fact, _ in draft.facts}
    used: set[str] = set()
    for one in draft.items:
        for key in ("only_if", "unless"):
            for node in texts(one, key):
                used.add(node.text)
                if node.text not in facts:
                    details = f"{key} of {one.item.name!r} names the fact {node.text!r}, which the pathway has not"
                    found.append(finding("WKP402", details, node.position, did_you_mean(node.text, facts)))
        for name in sorted(set(one.item.only_if) & set(one.item.unless)):
            details = f"{one.item.name!r} has {name!r} in only_if and in unless, so it could never apply"
            found.append(finding("WKP410", details, one.fields.at("unless")))
    for fact, _ in draft.facts:
        if fact.name not in used:
            found.append(finding("WKP411", f"no item depends on the fact {fact.name!r}", fact.origin))


def _item_names(names: _Names, one: Drafted, found: list[Finding]) -> None:
    for key in ("needs", "before"):
        for node in texts(one, key):
            if node.text not in names.needable:
                details = f"{key} of {one.item.name!r} names {node.text!r}, which no item of the pathway is"
                found.append(finding("WKP403", details, node.position, did_you_mean(node.text, names.needable)))
    if one.item.book_from and one.item.book_from not in names.anchors:
        details = f"book_from of {one.item.name!r} names {one.item.book_from!r}, which is no anchor"
        remedy = did_you_mean(one.item.book_from, names.anchors)
        found.append(finding("WKP409", details, one.fields.at("book_from"), remedy))


def _rules(one: Drafted, rule_names: Collection[str] | None, found: list[Finding]) -> None:
    if rule_names is None:
        return
    for node in texts(one, "rules"):
        if node.text not in rule_names:
            details = f"unknown medicine rule {node.text!r}"
            found.append(finding("WKP408", details, node.position, did_you_mean(node.text, rule_names)))


def _events(names: _Names, phrased: Phrased, found: list[Finding]) -> None:
    for event in sorted(events(phrased.phrase), key=str):
        code, problem, remedy = _unknown(names, phrased.key, event)
        if code:
            offset = max(phrased.node.text.find(event.name), 0)
            details = f"{phrased.key} of {phrased.owner!r} counts from {str(event)!r}: {problem}"
            found.append(finding(code, details, phrased.node.inside(offset), remedy))


def _unknown(names: _Names, key: str, event: Event) -> tuple[str, str, str]:
    """The code, what is wrong with an event, and the remedy; empty where nothing is."""
    known: Mapping[str, PathwayItem | None]
    match event.kind:
        case "target":
            return ("", "", "") if key == "window" else ("WKP307", "only a window counts from its own target", "")
        case "anchor":
            known, wanted = dict.fromkeys(names.anchors), "anchor"
        case "release":
            known, wanted = names.items["gate"], "gate"
        case "visit":
            known, wanted = names.items["visit"], "visit"
        case "completion":
            known, wanted = {**names.items["visit"], **names.items["task"]}, "visit or task"
    if event.name not in known:
        return "WKP303", f"no such {wanted}", did_you_mean(event.name, known)
    item = known[event.name]
    if item is not None and len(item.at) > 1:
        return "WKP307", f"several points of this {item.kind}, a phrase counts from one", "Count from an anchor."
    return "", "", ""


def texts(one: Drafted, key: str) -> Iterator[Node]:
    """The texts under a key of an item, whether it holds one or a list; those of a wrong form are left out."""
    node = one.fields.nodes.get(key)
    right = set(one.fields.texts(key))
    for text in (node, *node.items) if node is not None else ():
        if text.kind == "text" and text.text in right:
            yield text
