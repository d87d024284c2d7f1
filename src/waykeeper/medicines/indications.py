"""Why a medicine is taken, as classes that rules ask for. Only exact words and listed codes count."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from waykeeper.medicines.conditions import UNKNOWN
from waykeeper.medicines.decisions import REASON_ONLY
from waykeeper.medicines.model import AnswerLike
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.tables import table
from waykeeper.record.model import MedicineEntry


@cache
def indication_table() -> Mapping[str, Any]:
    """The package's indications.yaml: class -> words and ICD-10-CM code beginnings."""
    return table("indications")


@cache
def _words() -> Mapping[str, str]:
    return {normalise(w): name for name, fields in indication_table().items() for w in (name, *fields.get("words", ()))}


@cache
def _codes() -> tuple[tuple[str, str], ...]:
    return tuple((code, name) for name, fields in indication_table().items() for code in fields.get("icd10", ()))


def indications_of(entry: MedicineEntry, answer: AnswerLike | None = None) -> frozenset[str]:
    """The classes of a row's reasons, a prescriber's answer included; {"unknown"} where none is recorded."""
    said = entry.indication
    if answer is not None and answer.decision == REASON_ONLY:
        said = (answer.text,)
    found = {_words()[w] for w in map(normalise, said) if w in _words()}
    for text in said:
        system, _, code = text.partition("|")
        if "icd-10" in system:
            found |= {name for start, name in _codes() if code.startswith(start)}
    return frozenset(found or {UNKNOWN})
