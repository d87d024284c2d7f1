"""What the extension of a hold says, decoded: the medicine, what is proposed, and the answer it was compiled with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.extensions import amount, decode
from waykeeper.medicines import NamedMedicine
from waykeeper.plan.model import HoldAnswer, Offer

Said = Mapping[str, Sequence[Any]]


def named_in(said: Said) -> NamedMedicine | None:
    """What it calls the medicine."""
    words = _text(said, "medicine")
    substances = tuple(str(name) for name in said.get("ingredient", ()))
    dose = amount(_text(said, "doseMg"))
    return NamedMedicine(words, tuple(said.get("code", ())), dose, substances) if words else None


def offer_in(said: Said, name: str, zone: str) -> Offer | None:
    """What was proposed, `proposed` now or `answeredTo` then; None where it was written before that was told."""
    part = _first(said, name)
    return _offer(decode(part, zone)) if part is not None else None


def answered_in(said: Said, zone: str) -> HoldAnswer | None:
    """The answer that the plan was compiled with; what stands on the server is the State's business."""
    if not said.get("answer"):
        return None
    return HoldAnswer(
        decision=_text(said, "answer"),
        missed_days=_first(said, "answerDays"),
        by=_text(said, "answerBy"),
        on=_first(said, "answerOn"),
        text=_text(said, "answerText"),
        last_taken=_first(said, "answerTaken"),
        medicine=named_in(said),
        offer=offer_in(said, "answeredTo", zone),
    )


def offer_answered(said: Said, answer: HoldAnswer, zone: str) -> Offer | None:
    """What was proposed when an answer was given.

    The plan keeps that for the answer it was compiled with; any other came after it, to what it proposes. Before plans
    said what they propose, an answer that took the place of another tells nothing of it, nor do dates somebody edited.
    """
    compiled = answered_in(said, zone)
    if compiled is not None and compiled == answer:
        return compiled.offer
    told = offer_in(said, "proposed", zone)
    return _offer(said) if told is None and compiled is None and answer.by != EDITED else told


EDITED = "edited"  # who answered by changing the dates of the hold itself


def _offer(said: Said) -> Offer:
    return Offer(
        decision=_text(said, "decision"),
        missed_days=_first(said, "missedDays"),
        last_dose=_first(said, "lastDose"),
        last_limit=_first(said, "lastLimit"),
        question=_text(said, "question"),
        ground=tuple(str(line) for line in said.get("ground", ())),
        clearance=_text(said, "clearance"),
        measured=_first(said, "measured"),
        version=_text(said, "waykeeper"),
    )


def _first(said: Said, name: str) -> Any:
    return said[name][0] if said.get(name) else None


def _text(said: Said, name: str) -> str:
    return str(_first(said, name) or "")
