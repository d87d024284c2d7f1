"""Why a medicine is taken, as classes that rules ask for. Only exact words and listed codes count."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache, lru_cache
from typing import Any

from waykeeper.medicines.conditions import UNKNOWN
from waykeeper.medicines.decisions import REASON_ONLY
from waykeeper.medicines.model import AnswerLike
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.tables import table
from waykeeper.record.model import MedicineEntry

_ICD_10 = re.compile(r"icd-?10|2\.16\.840\.1\.113883\.6\.90", re.IGNORECASE)


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


SHORT = 4  # letters: `mi`, `pad`, `pain` mean it only where they are the whole text
_FAMILY = "family history"
_PCS = 7  # characters of a code of ICD-10-PCS


def classes_of(concept: Mapping[str, Any]) -> frozenset[str]:
    """The classes that a Condition or Procedure names, by its codes or by a phrase of the tables in its words.

    Wider than what a reason on an order counts by: it only ever raises a question, so a phrase inside a longer text
    (`chronic systolic heart failure`) is enough. What is of the family is not of the patient.
    """
    codings = concept.get("coding") or []
    said = [_by_text(str(t)) for t in (concept.get("text"), *(c.get("display") for c in codings)) if t]
    coded = [_by_code(str(c.get("system") or ""), str(c.get("code") or "")) for c in codings]
    return frozenset[str]().union(*said, *coded)


@lru_cache(maxsize=4096)
def _by_text(text: str) -> frozenset[str]:
    said = f" {normalise(text)} "
    if _FAMILY in said:
        return frozenset()
    found = {name for phrase, name in _phrases() if f" {phrase} " in said}
    whole = _words().get(said.strip())
    return frozenset(found | ({whole} if whole else set()))


@cache
def _phrases() -> tuple[tuple[str, str], ...]:
    return tuple((words, name) for words, name in _words().items() if len(words) > SHORT)


@lru_cache(maxsize=4096)
def _by_code(system: str, code: str) -> frozenset[str]:
    """ICD-10-CM by its beginning, with or without the dot; ICD-10-PCS by its beginning; SNOMED CT as a whole."""
    plain = code.replace(".", "")
    found = set()
    if not system or is_icd_10(system):
        found = {name for start, name in _codes() if plain.startswith(start.replace(".", ""))}
    for name, fields in indication_table().items():
        if code in fields.get("snomed", ()):
            found.add(name)
        if len(code) == _PCS and code.startswith(tuple(fields.get("icd10pcs", ()))):
            found.add(name)
    return frozenset(found)


def is_icd_10(system: str) -> bool:
    """True for ICD-10-CM as FHIR names it, by its OID, and as many systems write it."""
    return bool(_ICD_10.search(system))


def of_the_patient(name: str) -> bool:
    """True for what counts whatever reason an order gives: a failing heart fails also beside high blood pressure."""
    return bool(indication_table().get(name, {}).get("of_the_patient") == "true")


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
