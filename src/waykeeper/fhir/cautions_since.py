"""What the record warns of that a plan was not made with: nobody has said what it means for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from waykeeper.fhir.shape import misshapen
from waykeeper.medicines import SEVERE, recorded_cautions, same_caution
from waykeeper.plan.model import Plan

Held = tuple[str, Mapping[str, Any]]
_NAME_CAUTIONS = frozenset({"Patient", "AllergyIntolerance", "Condition", "Observation"})


def cautions_since(plan: Plan, theirs: Sequence[Held]) -> tuple[str, ...]:
    """The allergies and the pregnancy that the record names and the plan was not made with, in the record's words.

    Of a plan that does not say what it was made with they are all that the record names. One that is told as less grave
    now is none.
    """
    known = {same_caution(words) for was in plan.cautions or () for words in (was, was.removesuffix(SEVERE))}
    now = _cautions_now(theirs, plan.surgery_day)
    return tuple(words for words in now if same_caution(words) not in known)


def _cautions_now(theirs: Sequence[Held], surgery: date | None) -> list[str]:
    """A record is never the reason why a list is not made: an allergy that cannot be read is told by its name."""
    named = [(ref, r) for ref, r in theirs if r.get("resourceType") in _NAME_CAUTIONS]
    try:
        return [one.words for one in recorded_cautions([r for _, r in named], surgery)]
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        whole = [(ref, r) for ref, r in named if not misshapen(r)]
        kept = {ref for ref, _ in whole}
        lost = [
            f"an allergy that cannot be read ({ref})"
            for ref, r in named
            if r.get("resourceType") == "AllergyIntolerance" and ref not in kept
        ]
        return [*(one.words for one in recorded_cautions([r for _, r in whole], surgery)), *lost]
