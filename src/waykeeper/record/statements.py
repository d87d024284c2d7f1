"""A statement about an order that stands on the same list, and says nothing else than it: not a second medicine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from waykeeper.record.model import MedicineEntry
from waykeeper.record.references import identifier_names, names_of, relative


def with_orders(entries: Sequence[MedicineEntry]) -> tuple[MedicineEntry, ...]:
    """The entries, each statement with the key of the order that it is about (FHIR R4, MedicationStatement.basedOn).

    Only where both are taken, name one medicine, and the statement gives no other dose: a patient who says that it is
    taken in another way says something of his own. Every row stays.
    """
    orders = [e for e in entries if e.resource.get("resourceType") == "MedicationRequest"]
    return tuple(replace(e, statement_of=key) if (key := _order_of(e, orders)) else e for e in entries)


def _order_of(entry: MedicineEntry, orders: Sequence[MedicineEntry]) -> str:
    if entry.resource.get("resourceType") != "MedicationStatement":
        return ""
    named = {*names_of(entry.resource.get("basedOn") or ())}
    if not named:
        return ""
    meant = [o for o in orders if named & {relative(o.reference), *identifier_names(o.resource)} and _agree(entry, o)]
    return meant[0].key if len(meant) == 1 else ""


def _agree(said: MedicineEntry, order: MedicineEntry) -> bool:
    if said.status != "active" or order.status != "active" or order.forbidden or said.parts != order.parts:
        return False
    return _medicine(said) == _medicine(order) and _dose(said) in (_dose(order), _NO_DOSE)


def _medicine(entry: MedicineEntry) -> tuple[object, ...]:
    return " ".join(entry.words.casefold().split()), {(c.system, c.code) for c in entry.codes}, entry.form


def _dose(entry: MedicineEntry) -> tuple[object, ...]:
    """Everything that the dosage of an entry says, of each of its instructions."""
    return tuple(
        (e.dose_text, e.dose_mg, e.units, e.route, e.ways, e.schedule, e.period_days, e.weekday, e.as_needed, e.hours)
        for e in (entry, *entry.also)
    )


_NO_DOSE = _dose(MedicineEntry(""))
