"""What status, intent and start of a list row mean before any rule is applied."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from waykeeper.medicines.model import MedicineRow
from waykeeper.record import day_of, handed_on
from waykeeper.record.model import MedicineEntry

ON_HOLD, MISTAKEN = "on-hold", "entered-in-error"
_TAKEN = frozenset({"active", "intended"})
# MedicationRequest.intent (FHIR R4): what is none of these was proposed or planned, but nobody has ordered it.
_ORDERS = frozenset({"", "order", "original-order", "instance-order", "reflex-order", "filler-order"})


def status_question(entry: MedicineEntry, surgery: date) -> str:
    """The questions that a doubtful status, an intent that is no order or a late start raise; "" where it is taken."""
    asked = (origin_question(entry), _intent_question(entry), _pause_question(entry), _state_question(entry, surgery))
    return "; ".join(q for q in asked if q)


# What stands on the list without an order or statement, by the resource that tells of it.
_WITHOUT_ORDER = {
    "MedicationDispense": "it was dispensed, and nothing of the record orders or lists it: is it taken?",
    "MedicationAdministration": "a dose was given, and nothing of the record orders or lists it: is it still given?",
}


def is_current(entry: MedicineEntry) -> bool:
    """True for what somebody ordered, or says is taken, and nobody has ended; a pause ends nothing."""
    return entry.status in {*_TAKEN, ON_HOLD} and entry.intent in _ORDERS and not entry.forbidden


def origin_question(entry: MedicineEntry) -> str:
    """What is asked of a medicine that was dispensed or given without an order; "" for any other."""
    return _WITHOUT_ORDER.get(str(entry.resource.get("resourceType") or ""), "")


def where_from(row: MedicineRow, entry: MedicineEntry) -> MedicineRow:
    """The row with the day on which a medicine without an order was dispensed or given, and how long that lasts."""
    if not origin_question(entry):
        return row
    day = handed_on(entry.resource)
    until = day + timedelta(entry.supply_days - 1) if day and entry.supply_days else None
    return replace(row, unlisted=True, handed_over=day, supplied_until=until)


def _intent_question(entry: MedicineEntry) -> str:
    if entry.intent in _ORDERS:
        return ""
    return f"the list has it as {entry.intent} only, which is no order: is it taken?"


def _pause_question(entry: MedicineEntry) -> str:
    """What is asked where a Task of another system says what the order does not; of an order on hold that is asked."""
    if not entry.pause_asked or entry.status == ON_HOLD:
        return ""
    return "a task of somebody else asks to pause or stop it: is it paused already, since when, and who restarts it?"


def _state_question(entry: MedicineEntry, surgery: date) -> str:
    if entry.status == ON_HOLD:
        return "the list says that it is already on hold: since when, by whom, and who restarts it?"
    if entry.status not in _TAKEN:
        return f"the list says {entry.status or 'nothing of a status'}: is it taken?"
    start = starts_on(entry.resource)
    if start is not None and start >= surgery:
        return "the order starts on the day of surgery or later: is it meant for after the operation only?"
    if _ends_before(entry.resource, surgery):
        return "by the list it ends before the day of surgery: is it still taken then?"
    return ""


def _ends_before(resource: Mapping[str, Any], surgery: date) -> bool:
    """Whether every instruction of an order (timing bounds), or a statement's effective period, ends before a day."""
    bounds = [
        ((dosage.get("timing") or {}).get("repeat") or {}).get("boundsPeriod") or {}
        for dosage in resource.get("dosageInstruction") or ()
    ] or [resource.get("effectivePeriod") or {}]
    ends = [day_of(period.get("end")) for period in bounds]
    return all(end is not None and end < surgery for end in ends)


def starts_on(resource: Mapping[str, Any]) -> date | None:
    """The first day of an order (timing bounds) or statement (effective period), where it says one."""
    period = resource.get("effectivePeriod") or {}
    for dosage in resource.get("dosageInstruction") or resource.get("dosage") or []:
        repeat = (dosage.get("timing") or {}).get("repeat") or {}
        period = repeat.get("boundsPeriod") or period
    return day_of(period.get("start"))
