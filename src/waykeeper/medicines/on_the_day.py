"""What a row says of the morning of surgery: taken also then, or taken only as needed and never newly then."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

from waykeeper.medicines.instructions import instructions
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.words import vocabulary
from waykeeper.record.model import MedicineEntry

# Notes of a row, and of the hold that a plan keeps: the patient's sheet knows them again.
MORNING = "also on the morning of surgery with a sip of water"
AS_NEEDED = "taken only as needed, as before: not daily because of the operation"
_HOW_OFTEN = "it is ordered only as needed: how often is it really taken? it is not begun on the day of surgery"
_SWALLOWED = frozenset({"oral", "unknown"})


def in_the_morning(forms: frozenset[str]) -> bool:
    """True for what is swallowed, or says nothing of how it is given: a sip of water goes with no patch or spray."""
    return forms <= _SWALLOWED


def is_as_needed(entry: MedicineEntry) -> bool:
    """True where the order is for when it is needed, by its structure or by the words of every instruction."""
    return all(_one(taken) for taken in instructions(entry))


def only_as_needed(row: MedicineRow, entry: MedicineEntry) -> MedicineRow:
    """The row of a medicine that is taken when needed: its words must never make a daily medicine of it.

    Where its rule would have it taken also on the morning of surgery, whoever decides is asked how often it is taken.
    """
    proposes = row.recognised and row.decision in ("continue", "ask", "adjust") and not row.stops
    if not proposes or not is_as_needed(entry):
        return row
    asked = _HOW_OFTEN if MORNING in row.notes else ""
    return replace(
        row,
        notes=(AS_NEEDED, *(n for n in row.notes if n != MORNING)),
        question="; ".join(q for q in (asked, row.question) if q),
    )


def shared_notes(notes: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """The notes of several substances in one product; the morning of surgery only where it holds for each of them."""
    together = all(MORNING in each for each in notes)
    return tuple(dict.fromkeys(n for each in notes for n in each if together or n != MORNING))


def _one(taken: MedicineEntry) -> bool:
    text = f" {normalise(f'{taken.words} {taken.dose_text} {taken.schedule}')} "
    return taken.as_needed or bool(_phrase().search(text))


@cache
def _phrase() -> re.Pattern[str]:
    phrases = (re.escape(normalise(w)) for w in vocabulary()["as_needed"])
    return re.compile(rf" (?:{'|'.join(phrases)}) ")
