"""Where each appointment stands in the report: exactly one place for each source."""

from __future__ import annotations

from collections.abc import Mapping

from waykeeper.gaps.model import ItemRef, Match, Matches, Place, Placement, Verdict
from waykeeper.gaps.says import words
from waykeeper.gaps.words import sentence
from waykeeper.plan.model import Evidence, Plan


def _place(match: Match, verdict: Verdict | None) -> Place:
    """The place of one match: what its visit's verdict made of it, else what it says."""
    if match.candidates:
        return "guess"
    head = match.fact.head.reference
    if match.item is None or verdict is None:
        return "nothing" if match.fact.says == "nothing" and match.item is not None else "unplanned"
    if head in verdict.guesses:
        return "guess"
    if head in verdict.evidence:
        return "evidence"
    if head in verdict.duplicates:
        return "duplicate"
    said = match.fact.says
    if said == "asked":
        return "asked"
    if said == "contradictory":
        return "review"
    return "nothing" if said == "nothing" else "history"


def placements(
    found: Matches, verdicts: Mapping[ItemRef, Verdict], plan: Plan, proof: Mapping[str, str]
) -> tuple[Placement, ...]:
    """One Placement for each source of one patient. `plan` gives the patient's name.

    proof   a source -> the anchor that it proves: the hospital stay is no visit, and no stray one either
    """
    placed: list[Placement] = []
    who = (plan.patient.name, str(plan.patient.identifier))
    for match in found.rows:
        place = _place(match, verdicts.get(match.item) if match.item else None)
        placed += _placed(match, place, who, proof.get(match.fact.head.reference, ""))
    return tuple(placed)


def _placed(match: Match, place: Place, who: tuple[str, str], proves: str) -> list[Placement]:
    """Each source of one match."""
    items = tuple([str(r.key) for r in ((match.item,) if match.item else match.candidates)])
    told = sentence("notes", "proves", {"anchor": proves}) if proves and place == "unplanned" else ""
    note, head = sentence("notes", match.note, {}) if match.note else told, match.fact.head
    return [
        Placement(
            part.reference, part.kind, place, *who, part.status, part.day, words(part), part.site, items,
            match.certainty, match.score, match.reasons, "" if part is head else head.reference, note, part.origin,
        )
        for part in match.fact.parts
    ]  # fmt: skip


def homeless(part: Evidence, *, two: bool) -> Placement:
    """The place of a source whose patient has no plan here, or that names two patients and so is nobody's."""
    place: Place = "review" if two else "no plan"
    note = sentence("notes", "two_patients" if two else "no_plan", {})
    return Placement(
        part.reference, part.kind, place, "", part.patient[0] if part.patient else "", part.status, part.day,
        words(part), part.site, note=note, origin=part.origin,
    )  # fmt: skip
