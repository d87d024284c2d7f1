"""Two pathways, or two versions of one, side by side for a clinical review: item by item, field by field."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from waykeeper.pathway.confidence import confidence_of
from waykeeper.pathway.model import Coding, Named, Pathway, PathwayItem

State = Literal["same", "only in A", "only in B", "different"]


@dataclass(frozen=True, slots=True)
class Change:
    """One field that differs, by its key in the file, and what either side says; "" where it says nothing."""

    field: str
    a: str
    b: str


@dataclass(frozen=True, slots=True)
class ComparedItem:
    """One item of either side, or of both."""

    group: str
    kind: str
    name: str
    state: State
    changes: tuple[Change, ...]
    a: PathwayItem | None
    b: PathwayItem | None

    @property
    def title(self) -> str:
        """The item's title; B's where A has none."""
        item = self.a or self.b
        return item.title if item else ""


@dataclass(frozen=True, slots=True)
class ComparedRule:
    """A policy, an anchor, a fact, a phase or a part: what is no item."""

    sort: str
    name: str
    state: State
    a: str
    b: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both pathways and everything in them: each item once, medicines and visits first; then what is no item."""

    a: Pathway
    b: Pathway
    items: tuple[ComparedItem, ...]
    rules: tuple[ComparedRule, ...]

    def count(self, state: State) -> int:
        """How many items are in a state."""
        return sum(1 for item in self.items if item.state == state)


# Reading order of a review: what hurts most when it is wrong comes first.
GROUPS = ("medicines", "visits", "restrictions and gates", "tasks", "instructions", "goals")
_GROUP_OF = {
    "hold": "medicines", "visit": "visits", "restriction": "restrictions and gates", "gate": "restrictions and gates",
    "task": "tasks", "instruction": "instructions", "goal": "goals",
}  # fmt: skip


def _recognised(item: PathwayItem) -> str:
    found = item.recognise
    codes = [_code(c) for c in (*found.service_type, *found.specialty)]
    return ", ".join([*codes, *found.words, *(["call or video"] if found.telehealth else [])])


def _code(coding: Coding) -> str:
    return f"{coding.code} {coding.display}".strip()


# Field, as the file calls it -> its words. `words` come apart by language.
FIELDS: Mapping[str, Callable[[PathwayItem], str]] = {
    "kind": lambda i: i.kind,
    "title": lambda i: i.title,
    "at": lambda i: when(i.at),
    "by": lambda i: i.by,
    "from": lambda i: i.starts,
    "window": lambda i: i.window,
    "roll": lambda i: i.roll,
    "valid_for": lambda i: i.valid_for,
    "at_least": lambda i: i.at_least,
    "until": lambda i: i.until,
    "book_from": lambda i: i.book_from,
    "redo": lambda i: i.redo,
    "rules": lambda i: ", ".join(i.rules),
    "measure": lambda i: i.measure,
    "target": lambda i: i.target,
    "who": lambda i: i.who,
    "released_by": lambda i: i.released_by,
    "needs": lambda i: ", ".join(i.needs),
    "before": lambda i: i.before,
    "only_if": lambda i: ", ".join(i.only_if),
    "unless": lambda i: ", ".join(i.unless),
    "harm": lambda i: str(i.harm),
    "why": lambda i: i.why,
    "source": lambda i: f"{i.source.cite or 'no publication named'} ({i.source.grade})",
    "confidence": confidence_of,
    "minutes": lambda i: str(i.minutes or ""),
    "recognise": _recognised,
    "phase": lambda i: i.phase,
    "overlays": lambda i: ", ".join(i.overlays),
}


def when(points: Sequence[Named]) -> str:
    """The phrases of `at`, each with its name where there are several."""
    return "; ".join(f"{point.name}: {point.phrase}" if point.name else point.phrase for point in points)


def compare(a: Pathway, b: Pathway) -> Comparison:
    """Lay two pathways side by side. Count in = count out: each item of either is in exactly one row."""
    theirs = {item.name: item for item in b.items}
    ours = {item.name for item in a.items}
    rows = [_compared(item, theirs.get(item.name)) for item in a.items]
    rows += [_compared(None, item) for item in b.items if item.name not in ours]
    return Comparison(
        a, b, tuple(sorted(rows, key=lambda row: (GROUPS.index(row.group), row.kind != "hold"))), tuple(_rules(a, b))
    )


def _compared(a: PathwayItem | None, b: PathwayItem | None) -> ComparedItem:
    item = a or b
    assert item is not None
    changes = tuple(_changes(a, b)) if a and b else ()
    state: State = "only in B" if a is None else "only in A" if b is None else "different" if changes else "same"
    return ComparedItem(_group(item), item.kind, item.name, state, changes, a, b)


def _group(item: PathwayItem) -> str:
    """What a prescriber does, answers or releases is about medicines, whatever its kind."""
    return "medicines" if "prescriber" in (item.who, item.released_by) else _GROUP_OF[item.kind]


def _changes(a: PathwayItem, b: PathwayItem) -> Iterator[Change]:
    for name, words in FIELDS.items():
        if words(a) != words(b):
            yield Change(name, words(a), words(b))
    for language in sorted({*a.words, *b.words}):
        if a.words.get(language) != b.words.get(language):
            yield Change(f"words.{language}", a.words.get(language, ""), b.words.get(language, ""))


def _rules(a: Pathway, b: Pathway) -> Iterator[ComparedRule]:
    for sort, of in _SORTS.items():
        ours, theirs = of(a), of(b)
        for name in dict.fromkeys([*ours, *theirs]):
            left, right = ours.get(name, ""), theirs.get(name, "")
            absent: State = "only in B" if name not in ours else "only in A"
            both = name in ours and name in theirs
            state: State = ("same" if left == right else "different") if both else absent
            yield ComparedRule(sort, name, state, left, right)


def _anchors(pathway: Pathway) -> dict[str, str]:
    found = {}
    for anchor in pathway.anchors:
        how = "required" if anchor.required else f"assumed {anchor.assume}" if anchor.assume else "awaited"
        codes = [code for codes in anchor.recognise.values() for code in codes]
        found[anchor.name] = how + (
            f"; recognised by {', '.join(c.rpartition('|')[2] for c in codes)}" if codes else ""
        )
    return found


def _facts(pathway: Pathway) -> dict[str, str]:
    """The question; what the record is asked is code, so of that only whether it differs is said."""
    found = {}
    for fact in pathway.facts:
        asked = " | ".join(f"{key}: {text}" for key, text in (("yes", fact.yes), ("no", fact.no)) if text)
        found[fact.name] = fact.ask + (f" [{asked}]" if asked else "")
    return found


_SORTS: Mapping[str, Callable[[Pathway], dict[str, str]]] = {
    "words": lambda p: dict(p.words),
    "policy": lambda p: dict(p.policies),
    "anchor": _anchors,
    "fact": _facts,
    "phase": lambda p: {phase.name: f"{phase.title}: {phase.days}" for phase in p.phases},
    "part": lambda p: {part.name: part.version for part in p.parts},
    "overlay": lambda p: dict.fromkeys(p.overlays, "in force"),
}
