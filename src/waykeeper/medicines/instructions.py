"""An order with several dosage instructions: each is read by itself, the strictest counts, what differs is asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from waykeeper.medicines.intervals import clock_name, day_name
from waykeeper.medicines.model import MedicineRow
from waykeeper.record.model import MedicineEntry


def instructions(entry: MedicineEntry) -> tuple[MedicineEntry, ...]:
    """The entry by each of its dosage instructions; what is known of the order as a whole holds for all of them."""
    return tuple(
        replace(e, last_taken=entry.last_taken, loose_dose=entry.loose_dose, also=()) for e in (entry, *entry.also)
    )


def safest(rows: Sequence[MedicineRow], entries: Sequence[MedicineEntry]) -> MedicineRow:
    """One row of an order: the strictest of its instructions, and a question where they do not come to the same.

    What cannot be dated stands before every date; of two dates the earlier last dose counts.
    """
    lead = min(rows, key=_strictness)
    questions = dict.fromkeys(q for r in (lead, *rows) for q in r.question.split("; ") if q)
    notes = tuple(dict.fromkeys(n for r in (lead, *rows) for n in r.notes))
    if all(_same(r, lead) for r in rows):
        return replace(lead, question="; ".join(questions), notes=notes)
    differ = f"the order has {len(rows)} dosage instructions that come to different answers: which one is taken?"
    told = tuple(_told(r, e) for r, e in zip(rows, entries, strict=True))
    return replace(
        lead,
        decision="ask",
        question="; ".join(dict.fromkeys((differ, *questions))),
        notes=notes,
        alternatives=tuple(dict.fromkeys((*told, *lead.alternatives))),
        arithmetic=(*lead.arithmetic, "the strictest of the dosage instructions counts"),
    )


def _same(one: MedicineRow, other: MedicineRow) -> bool:
    return _outcome(one) == _outcome(other)


def _outcome(row: MedicineRow) -> tuple[object, ...]:
    return row.decision, row.missed_days, row.last_dose, row.last_limit, row.window


def _strictness(row: MedicineRow) -> tuple[bool, date, str, bool]:
    """Sorts the strictest first."""
    dated = row.decision != "ask" or row.stops
    last = row.last_dose if row.stops and row.last_dose else date.max
    return dated, last, str(row.last_limit or "~"), row.decision != "ask"


def _told(row: MedicineRow, entry: MedicineEntry) -> str:
    """`one tablet at 20:00: hold, N = 2, last dose Sun 2026-03-15`."""
    parts: list[str] = [row.decision]
    if row.missed_days is not None and row.last_dose is not None:
        parts.append(f"N = {row.missed_days}, last dose {day_name(row.last_dose)}")
    elif row.last_limit is not None:
        parts.append(f"last dose at or before {clock_name(row.last_limit)}")
    said = "; ".join(dict.fromkeys(t for t in (entry.dose_text, entry.schedule, entry.route) if t))
    return f"{said or 'an instruction without words'}: {', '.join(parts)}"
