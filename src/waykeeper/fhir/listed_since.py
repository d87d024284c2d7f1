"""Medicines that came onto a patient's list after the plan was made: nobody has said whether they pause."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.identity import is_ours, own_identifier
from waykeeper.medicines import NOT_TAKEN, NamedMedicine, is_current, same_medicine
from waykeeper.plan.model import MEDICINES, ItemState, Key, Plan
from waykeeper.plan.unlisted import stands
from waykeeper.record import MEDICINE_TYPES, identifier_names, listed

Held = tuple[str, Mapping[str, Any]]


def listed_since(plan: Plan, states: Mapping[Key, ItemState], theirs: Sequence[Held]) -> tuple[str, ...]:
    """What is ordered or said to be taken now and has no line in the plan, each as `words (reference)`.

    Asked only where the list that the plan was made from is here: each of its medicines is found by its key. A list
    that another system keeps, with numbers of its own, would make every medicine look new. A new order of a medicine
    that the plan has as taken is none: its line stands.

    theirs   everything that is held of the patient
    """
    rows = [
        (ref, r)
        for ref, r in theirs
        if r.get("resourceType") in MEDICINE_TYPES and not is_ours(r) and not own_identifier(r)
    ]
    if not rows:
        return ()
    lines = {i.key.item: i for i in plan.items if i.key.kind in MEDICINES and stands(states.get(i.key))}
    entries = listed(rows)
    here = {entry.key for entry in entries}.union(*(identifier_names(r) for _, r in rows))
    if not here.issuperset(lines):
        return ()
    taken = [i.hold.medicine for i in lines.values() if i.hold is not None and i.hold.decision not in NOT_TAKEN]
    new = [e for e in entries if e.key not in lines and is_current(e)]
    named = [(e, NamedMedicine(e.words, e.codes)) for e in new]
    return tuple(f"{e.words} ({e.reference})" for e, name in named if not any(same_medicine(t, name) for t in taken))
