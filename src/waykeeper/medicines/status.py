"""What the status of a list row means before any rule is applied."""

from __future__ import annotations

from waykeeper.record.model import MedicineEntry

ENDED = frozenset({"stopped", "completed", "cancelled", "entered-in-error", "not-taken"})
_TAKEN = frozenset({"active", "intended"})


def status_question(entry: MedicineEntry) -> str:
    """The question that a doubtful status raises; "" where the medicine is taken."""
    if entry.status in _TAKEN:
        return ""
    if entry.status == "on-hold":
        return "the list says that it is already on hold: since when, by whom, and who restarts it?"
    return f"the list says {entry.status or 'nothing of a status'}: is it taken?"
