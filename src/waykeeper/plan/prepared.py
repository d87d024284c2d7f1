"""A pathway made ready for many patients: what every compile would work out again, worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from operator import attrgetter

from waykeeper.pathway.model import Named, Pathway, PathwayItem
from waykeeper.plan.model import Key

KEPT = 16  # pathways: a clinic has some, a table of patients one

# All that the arithmetic of an item reads of its rule, beside the phrase of its point.
_COUNTED = attrgetter("kind", "starts", "window", "roll", "book_from", "valid_for", "at_least", "until")


@dataclass(frozen=True, slots=True, eq=False)
class PreparedPoint:
    """One point of an item: its key, and what its dates are counted by: where that is equal, the dates are."""

    key: Key
    point: Named
    counted: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PreparedItem:
    """An item of the pathway: the facts that it hangs on, and its points."""

    rule: PathwayItem
    facts: tuple[str, ...]
    points: tuple[PreparedPoint, ...]


_kept: dict[int, tuple[Pathway, tuple[PreparedItem, ...]]] = {}


def prepared(pathway: Pathway) -> tuple[PreparedItem, ...]:
    """The items of a pathway in their order. They see no patient, no clinic and no date.

    Kept for the pathway as an object: it holds mappings, so that it has no hash, and nobody changes it.
    """
    kept = _kept.get(id(pathway))
    if kept is None or kept[0] is not pathway:
        if len(_kept) >= KEPT:
            _kept.clear()
        kept = _kept[id(pathway)] = (pathway, tuple(_prepared(rule) for rule in pathway.items))
    return kept[1]


def _prepared(rule: PathwayItem) -> PreparedItem:
    points = rule.at or (Named("", rule.by),)
    made = (PreparedPoint(Key(rule.kind, rule.name, p.name), p, (p.phrase, *_COUNTED(rule))) for p in points)
    return PreparedItem(rule, (*rule.only_if, *rule.unless), tuple(made))
