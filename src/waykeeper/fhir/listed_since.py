"""What came onto a patient's list, or was changed on it, after the plan was made: nobody has said whether it pauses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.gone import MEDICATION
from waykeeper.fhir.identity import is_ours, own_identifier
from waykeeper.medicines import NOT_TAKEN, NamedMedicine, dose_listed, is_current, named, same_medicine, told_apart
from waykeeper.plan.model import MEDICINES, Item, ItemState, Key, Plan
from waykeeper.plan.unlisted import stands
from waykeeper.record import MEDICINE_TYPES, Medications, MedicineEntry, identifier_names, listed, says_which

Held = tuple[str, Mapping[str, Any]]


def listed_since(
    plan: Plan,
    states: Mapping[Key, ItemState],
    theirs: Sequence[Held],
    medications: Medications,
    left_out: frozenset[str] = frozenset(),
) -> tuple[str, ...]:
    """What is ordered or said to be taken now and is in the plan not at all or as another medicine or dose.

    Each as `words (reference)`, of what was changed with what the plan has.

    Asked only where the list that the plan was made from is here: each of its medicines is found by its key. A list
    that another system keeps, with numbers of its own, would make every medicine look new. A new order of a medicine
    that the plan has as taken is none: its line stands.

    theirs        everything that is held of the patient
    medications   what an order may point at
    left_out      types of which nothing was read: that no order can be compared by its Medication is then said once
    """
    rows = [
        (ref, r)
        for ref, r in theirs
        if r.get("resourceType") in MEDICINE_TYPES and not is_ours(r) and not own_identifier(r)
    ]
    if not rows:
        return ()
    lines = {i.key.item: i for i in plan.items if i.key.kind in MEDICINES and stands(states.get(i.key))}
    entries = listed(rows, medications)
    here = {entry.key for entry in entries}.union(*(identifier_names(r) for _, r in rows))
    if not here.issuperset(lines):
        return ()
    taken = [i.hold.medicine for i in lines.values() if i.hold is not None and i.hold.decision not in NOT_TAKEN]
    current = [e for e in entries if is_current(e)]
    others = [(e, NamedMedicine(e.words, e.codes)) for e in current if e.key not in lines]
    new = [f"{e.words} ({e.reference})" for e, name in others if not any(same_medicine(t, name) for t in taken)]
    here_too = [e for e in current if e.key in lines]
    return (*new, *(told for e in here_too if (told := _changed(lines[e.key], e, medications, left_out))))


def _changed(line: Item, entry: MedicineEntry, medications: Medications, left_out: frozenset[str]) -> str:
    """What an order of the plan names today, where that is another medicine, or a dose on which its rule turns.

    Of a Medication that is not here only the display is known, which may say less than the Medication did: it tells no
    more than another substance. Where it tells none, nobody knows whether the order is still of what the plan has.
    """
    if line.hold is None:
        return ""
    was = line.hold.medicine
    if not says_which(entry.resource, medications):
        said = set(named(entry).ingredients)
        if entry.words == was.words or said == set(was.ingredients) != set():
            return ""
        if not said:
            unknown = f"{entry.words} ({entry.reference}; its Medication was not given; in the plan: {was.words})"
            return "" if MEDICATION in left_out else unknown
    made_of = named(entry).ingredients if entry.parts else was.ingredients
    now = NamedMedicine(entry.words, entry.codes, was.dose_mg and dose_listed(entry), made_of)
    if same_medicine(was, now):
        return ""
    before, after = told_apart(was, now)
    return f"{after} ({entry.reference}; in the plan: {before})"
