"""What the status and the start of a list row mean before any rule is applied."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from waykeeper.record.model import MedicineEntry

ENDED = frozenset({"stopped", "completed", "cancelled", "entered-in-error", "not-taken"})
_TAKEN = frozenset({"active", "intended"})


def status_question(entry: MedicineEntry, surgery: date) -> str:
    """The question that a doubtful status or a start after surgery raises; "" where the medicine is taken."""
    if entry.status == "on-hold":
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
