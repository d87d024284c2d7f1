"""The phrases of a pathway: each read by the one grammar, in its one spelling, of the sort that its key takes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from waykeeper.findings import Finding, finding
from waykeeper.pathway.build import Draft, Drafted
from waykeeper.pathway.reader import Node
from waykeeper.timing import Phrase, PhraseError, is_point, is_span, parse, spelling
from waykeeper.timing.phrases import Series, Until

_Use = tuple[str, str, str, str, Node]  # kind, owner, key, occurrence, the phrase's node
Sort = str  # "point", "span", "series"

# What a key takes. A task is tracked, so it is never a series; a window is inclusive days, so never a point.
SORTS: Mapping[tuple[str, str], frozenset[Sort]] = {
    ("visit", "at"): frozenset({"point"}),
    ("visit", "window"): frozenset({"span"}),
    ("task", "at"): frozenset({"point"}),
    ("task", "by"): frozenset({"point"}),
    ("task", "from"): frozenset({"point"}),
    ("task", "valid_for"): frozenset({"point"}),
    ("instruction", "at"): frozenset({"point", "span", "series"}),
    ("restriction", "from"): frozenset({"point"}),
    ("restriction", "until"): frozenset({"point"}),
    ("restriction", "at_least"): frozenset({"point"}),
    ("gate", "at"): frozenset({"point"}),
    ("goal", "by"): frozenset({"point"}),
    ("phase", "days"): frozenset({"span"}),
    ("anchor", "assume"): frozenset({"point"}),
}


@dataclass(frozen=True, slots=True)
class Phrased:
    """One phrase: the kind and name of its owner, its key, the occurrence, the phrase and its node."""

    kind: str
    owner: str
    key: str
    occurrence: str
    phrase: Phrase
    node: Node


@dataclass(frozen=True, slots=True)
class Phrases:
    """All phrases of a pathway that could be read."""

    all: tuple[Phrased, ...]
    _by: Mapping[tuple[str, str, str], tuple[Phrased, ...]] = field(default_factory=dict)

    def of(self, kind: str, owner: str, key: str) -> tuple[Phrased, ...]:
        """The phrases under one key of one owner: several for named points."""
        return self._by.get((kind, owner, key), ())

    def one(self, kind: str, owner: str, key: str) -> Phrased | None:
        """The single phrase under a key, or None."""
        found = self.of(kind, owner, key)
        return found[0] if found else None


def read_phrases(draft: Draft, found: list[Finding]) -> Phrases:
    """Read every phrase of the pathway; what is no phrase, or of the wrong sort, becomes a finding."""
    read = tuple(p for use in _uses(draft) if (p := _read(use, found)) is not None)
    by: dict[tuple[str, str, str], tuple[Phrased, ...]] = {}
    for one in read:
        key = (one.kind, one.owner, one.key)
        by[key] = (*by.get(key, ()), one)
    return Phrases(read, by)


def _uses(draft: Draft) -> Iterator[_Use]:
    for phase, fields in draft.phases:
        if "days" in fields.values:
            yield "phase", phase.name, "days", "", fields.nodes["days"]
    for anchor, fields in draft.anchors:
        if "assume" in fields.values:
            yield "anchor", anchor.name, "assume", "", fields.nodes["assume"]
    for one in draft.items:
        yield from _item_uses(one)


def _item_uses(one: Drafted) -> Iterator[_Use]:
    for kind, key in SORTS:
        node = one.fields.nodes.get(key)
        if kind != one.item.kind or node is None or key not in one.fields.values:
            continue
        if node.kind == "text":
            yield kind, one.item.name, key, "", node
        for name, value in node.entries:
            if value.kind == "text" and not value.empty:
                yield kind, one.item.name, key, name.text, value


def _read(use: _Use, found: list[Finding]) -> Phrased | None:
    kind, owner, key, occurrence, node = use
    try:
        phrase = parse(node.text)
        right = spelling(node.text)
    except PhraseError as error:
        found.append(error.at(node.inside(error.offset)))
        return None
    if right is not None:
        details = f"{node.text!r} is another spelling of {right!r}"
        found.append(finding("WKP301", details, node.inside(_differs(node.text, right)), f"Write {right}."))
    sort, allowed = _sort(phrase), SORTS[kind, key]
    if sort not in allowed:
        details = f"{key} of {kind} {owner!r} is a {sort}, it must be a {' or a '.join(sorted(allowed))}"
        found.append(finding("WKP302", details, node.position))
        return None
    if isinstance(phrase, Until) and key == "window":
        details = f"window of {kind} {owner!r} has no first day, a window has a first and a last day"
        found.append(finding("WKP302", details, node.position))
        return None
    return Phrased(kind, owner, key, occurrence, phrase, node)


def _sort(phrase: Phrase) -> Sort:
    if isinstance(phrase, Series):
        return "series"
    return "point" if is_point(phrase) else "span" if is_span(phrase) else "series"


def _differs(text: str, right: str) -> int:
    """The start of the first word that differs."""
    at = next((i for i, (a, b) in enumerate(zip(text, right, strict=False)) if a != b), min(len(text), len(right)))
    at = min(at, max(len(text) - 1, 0))
    return text.rfind(" ", 0, at + 1) + 1 if not text[at : at + 1].isspace() else at
