"""Two live episodes of one patient: the longer hold is shown, and both operations are named."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date, timedelta

from waykeeper.medicines.context import Context
from waykeeper.medicines.intervals import day_name
from waykeeper.medicines.model import MedicineRow
from waykeeper.timing import Moment

_NO_RESTART_KNOWN = 14  # days after a surgery in which a restart of the same medicine may still lie
_SHORT_RESTART = 7  # days: whoever would start again for less is asked about first (common practice, no source)


def with_other_surgeries(row: MedicineRow, again: Callable[[Moment], MedicineRow], context: Context) -> MedicineRow:
    """Name the other operations; where their holds meet this one, the earlier last dose counts and it asks.

    Beside a question for which no days are proposed it is named as well: whoever answers it with days decides for both.
    """
    for name, surgery in context.surgeries:
        other = again(surgery)
        if other.last_dose is None or not other.stops:
            if row.decision == "ask":
                row = replace(row, alternatives=(*row.alternatives, f"{_on(name, surgery.day)} no days are proposed"))
            continue
        told = f"{_on(name, surgery.day)} N = {other.missed_days}, last dose {day_name(other.last_dose)}"
        row = replace(row, alternatives=(*row.alternatives, told))
        if _meet(row, context.surgery, other, surgery):
            row = _joined(row, other, name, context.surgery)
    return row


def _on(name: str, day: date) -> str:
    return f"{name} on {day_name(day)}:"


def planned_with(alternatives: Iterable[str], name: str, day: date) -> bool:
    """True if a row was made with that operation on that day in view."""
    return any(told.startswith(_on(name, day)) for told in alternatives)


def _meet(row: MedicineRow, surgery: Moment, other: MedicineRow, day: Moment) -> bool:
    if row.last_dose is None or other.last_dose is None or not row.stops:
        return False
    return pauses_meet(row.last_dose, row.restart_from, surgery.day, other.last_dose, other.restart_from, day.day)


def pauses_meet(
    last: date, restart: date | None, surgery: date, other_last: date, other_restart: date | None, other_surgery: date
) -> bool:
    """True where one hold runs into the other, or a restart between them would be stopped again within a week.

    Of each: the last-dose day, the day from which a restart is proposed, the day of surgery.
    """
    ours = (last, restart or surgery + timedelta(_NO_RESTART_KNOWN))
    theirs = (other_last, other_restart or other_surgery + timedelta(_NO_RESTART_KNOWN))
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
