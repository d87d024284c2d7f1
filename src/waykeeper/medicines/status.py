"""What status, intent and start of a list row mean before any rule is applied."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from waykeeper.record.model import MedicineEntry

ON_HOLD, MISTAKEN = "on-hold", "entered-in-error"
ENDED = frozenset({"stopped", "completed", "cancelled", MISTAKEN, "not-taken"})
_TAKEN = frozenset({"active", "intended"})
# MedicationRequest.intent (FHIR R4): what is none of these was proposed or planned, but nobody has ordered it.
_ORDERS = frozenset({"", "order", "original-order", "instance-order", "reflex-order", "filler-order"})


def status_question(entry: MedicineEntry, surgery: date) -> str:
    """The questions that a doubtful status, an intent that is no order or a late start raise; "" where it is taken."""
    return "; ".join(q for q in (_intent_question(entry), _state_question(entry, surgery)) if q)


def _intent_question(entry: MedicineEntry) -> str:
    if entry.intent in _ORDERS:
        return ""
    return f"the list has it as {entry.intent} only, which is no order: is it taken?"


def _state_question(entry: MedicineEntry, surgery: date) -> str:
    if entry.status == ON_HOLD:
        return "the list says that it is already on hold: since when, by whom, and who restarts it?"
    if entry.status not in _TAKEN:
        return f"the list says {entry.status or 'nothing of a status'}: is it taken?"
    start = starts_on(entry.resource)
    if start is not None and start >= surgery:
        return "the order starts on the day of surgery or later: is it meant for after the operation only?"
    return ""


def starts_on(resource: Mapping[str, Any]) -> date | None:
    """The first day of an order (timing bounds) or statement (effective period), where it says one."""
    period = resource.get("effectivePeriod") or {}
    for dosage in resource.get("dosageInstruction") or resource.get("dosage") or []:
        repeat = (dosage.get("timing") or {}).get("repeat") or {}
        period = repeat.get("boundsPeriod") or period
    try:
        return date.fromisoformat(str(period.get("start") or "")[:10])
    except ValueError:
        return None
