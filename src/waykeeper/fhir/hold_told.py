"""What the extension of a hold says, decoded: the medicine, what is proposed, and the answer it was compiled with."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from waykeeper.fhir.extensions import Said, amount, decode, find, first_of, text_of, texts_of
from waykeeper.fhir.names import HOLD
from waykeeper.medicines import NamedMedicine
from waykeeper.plan.model import HoldAnswer, HoldProposal, Offer

EDITED = "edited"  # who answered by changing the dates of the hold itself


def hold_in(resource: Mapping[str, Any], zone: str) -> HoldProposal | None:
    """What a hold or the review of a medicine proposes, with the answer it was compiled with; None for any other."""
    extension = find(resource, HOLD)
    if extension is None:
        return None
    said = decode(extension, zone)
    return HoldProposal(
        decision=text_of(said, "decision"),
        words=text_of(said, "medicine"),
        reference=text_of(said, "reference"),
        rule=text_of(said, "rule"),
        policy=text_of(said, "policy"),
        missed_days=first_of(said, "missedDays"),
        last_dose=first_of(said, "lastDose"),
        first_missed=first_of(said, "firstMissed"),
        last_limit=first_of(said, "lastLimit"),
        restart=text_of(said, "restart"),
        restart_from=first_of(said, "restartFrom"),
        confidence=text_of(said, "confidence"),
        confirm_by=text_of(said, "confirmBy"),
        question=text_of(said, "question"),
        recognised=bool(first_of(said, "recognised")),
        ingredients=tuple(said.get("ingredient", [])),
        dose_mg=amount(text_of(said, "doseMg")),
        notes=tuple(said.get("note", [])),
        alternatives=tuple(said.get("alternative", [])),
        codes=tuple(said.get("code", [])),
        answered=answered_in(said, zone),
        offer=offer_in(said, "proposed", zone),
    )


def named_in(said: Said) -> NamedMedicine | None:
    """What it calls the medicine."""
    words = text_of(said, "medicine")
    substances = texts_of(said, "ingredient")
    dose = amount(text_of(said, "doseMg"))
    return NamedMedicine(words, tuple(said.get("code", ())), dose, substances) if words else None


def offer_in(said: Said, name: str, zone: str) -> Offer | None:
    """What was proposed, `proposed` now or `answeredTo` then; None where it was written before that was told."""
    part = first_of(said, name)
    return _offer(decode(part, zone)) if part is not None else None


def answered_in(said: Said, zone: str) -> HoldAnswer | None:
    """The answer that the plan was compiled with; what stands on the server is the State's business."""
    if not said.get("answer"):
        return None
    return HoldAnswer(
        decision=text_of(said, "answer"),
        missed_days=first_of(said, "answerDays"),
        by=text_of(said, "answerBy"),
        on=first_of(said, "answerOn"),
        text=text_of(said, "answerText"),
        last_taken=first_of(said, "answerTaken"),
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


def _offer(said: Said) -> Offer:
    return Offer(
        decision=text_of(said, "decision"),
        missed_days=first_of(said, "missedDays"),
        last_dose=first_of(said, "lastDose"),
        last_limit=first_of(said, "lastLimit"),
        question=text_of(said, "question"),
        ground=texts_of(said, "ground"),
        clearance=text_of(said, "clearance"),
        measured=first_of(said, "measured"),
        turns=texts_of(said, "turnsOn"),
        version=text_of(said, "waykeeper"),
    )
