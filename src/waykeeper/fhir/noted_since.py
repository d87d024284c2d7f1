"""Diagnoses, allergies and a pregnancy of the record that make another proposal of a medicine than a plan has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.shape import misshapen
from waykeeper.medicines import NOT_TAKEN, Turned, looked_at, patient_facts, taken_back, turned
from waykeeper.plan.model import MEDICINES, ItemState, Key, Plan
from waykeeper.plan.unlisted import stands
from waykeeper.record import in_zone
from waykeeper.version import VERSION

Held = tuple[str, Mapping[str, Any]]
_NAME = frozenset({"AllergyIntolerance", "Condition", "Observation", "Patient", "Procedure"})


def noted_since(plan: Plan, states: Mapping[Key, ItemState], theirs: Sequence[Held]) -> Mapping[Key, Turned]:
    """By medicine what came onto the record since, or is not so any more, and would make another proposal of it.

    Nothing of a plan of another version: it may say the same in other words, or did not say what it turns on.
    """
    offers = {
        i.key: (i.hold.ingredients, i.hold.offer) for i in plan.items
        if i.key.kind in MEDICINES and i.hold and i.hold.offer and stands(states.get(i.key))
        and i.hold.offer.version == VERSION and i.hold.offer.decision not in NOT_TAKEN
    }  # fmt: skip
    surgery = plan.surgery_day
    if not offers or surgery is None:
        return {}
    some = [r for _, r in theirs if r.get("resourceType") in _NAME and looked_at(r)]
    said = [in_zone(r, plan.zone) for r in some if not misshapen(r)]
    facts, over = patient_facts(said), taken_back(said)
    if not facts and not over:
        return {}
    found = {key: turned(names, was.question, was.turns, facts, over, surgery) for key, (names, was) in offers.items()}
    return {key: what for key, what in found.items() if what.came or what.went}
