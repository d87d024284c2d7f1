"""Kidney values of the record that a plan was not made with, and the medicines whose rules see them otherwise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from waykeeper.fhir.extensions import find
from waykeeper.fhir.names import HOLD
from waykeeper.fhir.shape import misshapen
from waykeeper.medicines import NO_CLEARANCE, Clearance, clearance, kidney_turns
from waykeeper.plan.model import MEDICINES, ItemState, Key, Measured, Offer, Plan
from waykeeper.plan.unlisted import stands
from waykeeper.record import Kidney, in_zone, kidney, names_acute_failure

Held = tuple[str, Mapping[str, Any]]
_KIDNEY = frozenset({"Patient", "Observation", "Condition"})


def measured_since(plan: Plan, states: Mapping[Key, ItemState], theirs: Sequence[Held]) -> Mapping[Key, Measured]:
    """By medicine the kidney value of today, where a newer one than the plan's may change what is proposed.

    What is proposed then only compile can say: it knows the whole record and the clinic. Nothing of a plan of before it
    kept its kidney value, nor where no newer value is here and no acute failure came, or no creatinine at all beside a
    newer weight: one that was not read is not one that is missing.
    """
    offers = {
        i.key: (i.hold.ingredients, i.hold.offer) for i in plan.items
        if i.key.kind in MEDICINES and i.hold and i.hold.offer and i.hold.offer.clearance and stands(states.get(i.key))
    }  # fmt: skip
    if not offers or plan.surgery_day is None or not any(r.get("resourceType") == "Observation" for _, r in theirs):
        return {}
    known = _kidney(plan, theirs)
    if known.creatinine is None and known.creatinine_on is None:
        return {}
    days = plan.settings.creatinine_stale_days, plan.settings.creatinine_refused_days
    now = clearance(known, plan.surgery_day, *days)
    return {
        key: Measured(now.told, _is_worse(now, was)) for key, (names, was) in offers.items()
        if (_is_newer(now, was) or known.unsteady) and kidney_turns(names, plan.anaesthesia, _value(was), now.usable)
    }  # fmt: skip


def _kidney(plan: Plan, theirs: Sequence[Held]) -> Kidney:
    read = [r for _, r in theirs if r.get("resourceType") in _KIDNEY and not misshapen(r)]
    told = [r for r in read if r["resourceType"] != "Condition" or names_acute_failure(r)]
    said = [in_zone(r, plan.zone) for r in told]
    return kidney(next((r for r in said if r.get("resourceType") == "Patient"), {}), said)


def _is_newer(now: Clearance, was: Offer) -> bool:
    """Also of the same day, where it is a value: a result may have been corrected, or another be of the afternoon."""
    if now.newest is None or was.measured is None:
        return now.newest is not None
    return now.newest > was.measured or (now.newest == was.measured and now.usable is not None)


def _is_worse(now: Clearance, was: Offer) -> bool:
    before = _value(was)
    return now.usable is None or (before is not None and now.usable < before)


def _value(was: Offer) -> Fraction | None:
    return None if was.clearance == NO_CLEARANCE else Fraction(was.clearance)


def looks_at_kidney(resource: Mapping[str, Any]) -> bool:
    """True for what stands of a medicine that something was proposed of by a kidney value, or for want of one."""
    extension = find(resource, HOLD) or {}
    proposed = (p for p in extension.get("extension") or () if p.get("url") == "proposed")
    return any(part.get("url") == "clearance" for one in proposed for part in one.get("extension") or ())
