"""Two live episodes of one patient: the longer hold is shown, and both operations are named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from waykeeper.medicines.context import Context
from waykeeper.medicines.intervals import day_name
from waykeeper.medicines.model import MedicineRow
from waykeeper.timing import Moment

_NO_RESTART_KNOWN = 14  # days after a surgery in which a restart of the same medicine may still lie
_SHORT_RESTART = 7  # days: whoever would start again for less is asked about first (common practice, no source)


def with_other_surgeries(row: MedicineRow, again: Callable[[Moment], MedicineRow], context: Context) -> MedicineRow:
    """Name the other operations; where their holds meet this one, the earlier last dose counts and it asks."""
    for name, surgery in context.surgeries:
        other = again(surgery)
        if other.last_dose is None or not other.stops:
            continue
        told = f"{name} on {day_name(surgery.day)}: N = {other.missed_days}, last dose {day_name(other.last_dose)}"
        row = replace(row, alternatives=(*row.alternatives, told))
        if _meet(row, context.surgery, other, surgery):
            row = _joined(row, other, name, context.surgery)
    return row


def _meet(row: MedicineRow, surgery: Moment, other: MedicineRow, day: Moment) -> bool:
    """True where one hold runs into the other, or a restart between them would be stopped again within a week."""
    if row.last_dose is None or other.last_dose is None or not row.stops:
        return False
    ours = (row.last_dose, row.restart_from or surgery.day + timedelta(_NO_RESTART_KNOWN))
    theirs = (other.last_dose, other.restart_from or day.day + timedelta(_NO_RESTART_KNOWN))
    between = timedelta(_SHORT_RESTART)
    return ours[0] < theirs[1] + between and theirs[0] < ours[1] + between


def _joined(row: MedicineRow, other: MedicineRow, name: str, surgery: Moment) -> MedicineRow:
    assert row.last_dose is not None and other.last_dose is not None
    question = f"two operations lie close together (this one and {name}), the longer pause is shown: restart between?"
    asked = replace(row, decision="ask", question="; ".join(q for q in (question, row.question) if q))
    if other.last_dose >= row.last_dose:
        return asked
    days = (surgery.day - other.last_dose).days - 1
    line = f"the hold for {name} begins earlier: last dose {day_name(other.last_dose)}"
    return replace(
        asked,
        missed_days=days,
        last_dose=other.last_dose,
        first_missed=other.last_dose + timedelta(1),
        last_limit=None,
        arithmetic=(*row.arithmetic, line),
    )
