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
from waykeeper.medicines.words import vocabulary
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
_PCS = 7  # characters of a code of ICD-10-PCS
_SKIN = (
    "C44"  # cancer of the skin that is cut out: no reason for a medicine against cancer (common practice, no source)
)
_OF_EVERYONE = frozenset({"analgesia"})  # a headache of the record is no reason of an aspirin
_STATED = "stated"  # a reason is written there, and not read
HISTORY = "Z8"  # ICD-10-CM: personal and family history, never what is so now
# What a text says beside a code that takes the code back. Names of codes hold `without` and `not`: those do not.
_TAKEN_BACK = re.compile(
    r"\b(?:ruled? out|screening|family history|fear of|risk|no (?:history|evidence|known)|negative for|denies|denied"
    r"|resolved|suspected|descartad[oa]|antecedentes? familiar(?:es)?|riesgo|tamizaje)\b|^no "
)


def texts(concept: Mapping[str, Any]) -> list[str]:
    """What a concept says in words, its own text first."""
    codings = concept.get("coding") or []
    return [str(t) for t in (concept.get("text"), *(c.get("display") for c in codings)) if t]


def classes_of(concept: Mapping[str, Any]) -> frozenset[str]:
    """The classes that a Condition or Procedure names, by its codes, or by its words where they say nothing else.

    A word of the tables inside a longer text is not enough: `screening for cancer`, `risk of heart failure` and `heat
    stroke` are none. What a text takes back (`ruled out`) or gives to the family does not count by its code either.
    """
    codings = concept.get("coding") or []
    said = [normalise(t) for t in texts(concept)]
    if any(_TAKEN_BACK.search(t) for t in said):
        return frozenset()
    codes = [(str(c.get("system") or ""), str(c.get("code") or "")) for c in codings]
    coded = [_by_code(system, code) for system, code in codes if not code.startswith(_SKIN)]
    named = [_by_text(t) for t in said if "prevention" not in t and "prophyla" not in t]
    return frozenset[str]().union(*named, *coded) - _OF_EVERYONE


def is_history(concept: Mapping[str, Any]) -> bool:
    """True where every code of a concept is one of history (Z86.73): its day is that of the telling."""
    codes = [str(c.get("code") or "") for c in concept.get("coding") or []]
    return bool(codes) and all(c.startswith(HISTORY) for c in codes)


@lru_cache(maxsize=4096)
def _by_text(text: str) -> frozenset[str]:
    """The class of a text that is a phrase of the tables, apart from qualifiers: `acute congestive heart failure`."""
    if text in _words():
        return frozenset({_words()[text]})
    said = f" {text} "
    for phrase, name in _phrases():
        if f" {phrase} " in said and _qualifiers().issuperset(said.replace(f" {phrase} ", " ").split()):
            return frozenset({name})
    return frozenset()


@cache
def _qualifiers() -> frozenset[str]:
    """Words beside a disease that leave it the same; any other may turn it round (`heat stroke`, `no stroke`)."""
    return frozenset(vocabulary()["qualifiers"])


@cache
def _phrases() -> tuple[tuple[str, str], ...]:
    """The longest first: `congestive heart failure` before `heart failure`."""
    return tuple(sorted(((w, n) for w, n in _words().items() if len(w) > SHORT), key=lambda p: -len(p[0])))


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
        found |= _by_code(system, code) if system and code else frozenset()
    return frozenset(found or {UNKNOWN})


def inside_of(entry: MedicineEntry, answer: AnswerLike | None = None) -> Mapping[str, str]:
    """Classes that are named inside a longer reason of a row, with that reason: `heart failure, NYHA III`.

    More words may turn a name round, so it never decides: it only asks. What a text takes back is none.
    """
    said = (answer.text,) if answer is not None and answer.decision == REASON_ONLY else entry.indication
    found: dict[str, str] = {}
    for text in said:
        rest = f" {normalise(text)} "
        if "|" in text or _TAKEN_BACK.search(rest.strip()):
            continue
        for phrase, name in _phrases():
            if f" {phrase} " in rest:
                rest = rest.replace(f" {phrase} ", " ")
                found.setdefault(name, text)
    decided = indications_of(entry, answer) | _OF_EVERYONE
    return {name: text for name, text in found.items() if name not in decided}


def names_stent(entry: MedicineEntry, answer: AnswerLike | None = None) -> bool:
    """True where a reason of a row names a coronary stent, also inside a longer text."""
    return "stent" in indications_of(entry, answer) or "stent" in inside_of(entry, answer)


def stated_of(entry: MedicineEntry, answer: AnswerLike | None = None) -> frozenset[str]:
    """The classes that a row's reasons may mean, read wider than `indications_of`: a phrase inside a text is enough.

    A reason that is stated and not read is none of them, and not unknown either: {"unknown"} only where none is stated.
    It decides nothing but what is asked.
    """
    said = (answer.text,) if answer is not None and answer.decision == REASON_ONLY else entry.indication
    padded = [f" {normalise(t)} " for t in said if t.strip(" |")]
    if not padded:
        return frozenset({UNKNOWN})
    inside = {name for phrase, name in _words().items() for t in padded if f" {phrase} " in t}
    return frozenset({_STATED} | inside | (indications_of(entry, answer) - {UNKNOWN}))
