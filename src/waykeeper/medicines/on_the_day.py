"""What a row says of the morning of surgery: taken also then, or taken only as needed and never newly then."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Literal

from waykeeper.medicines.instructions import instructions
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.recognise import Recognised
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.spelling import without_accents
from waykeeper.medicines.ways import forms_of
from waykeeper.medicines.words import read_words, vocabulary
from waykeeper.record.model import MedicineEntry

# Notes of a row, and of the hold that a plan keeps: the patient's sheet knows them again.
MORNING = "also on the morning of surgery with a sip of water"
AS_NEEDED = "taken only as needed, as before: not daily because of the operation"
RESCUE = "a rescue medicine: used as always when it is needed, and brought along"
NOT_SWALLOWED = "not swallowed"
_HOW_OFTEN = "it is ordered only as needed: how often is it really taken? it is not begun on the day of surgery"
_WHICH = "its order says both each day and as needed: which is it?"
_TOO = "also on the day of surgery; "  # how a note of what is taken each day begins
_SWALLOWED = frozenset({"oral", "unknown"})
_AT_HAND = frozenset({"inhaled", "sublingual", "nose", "injection", "pen"})

Taken = Literal["as needed", "daily", "both"]


def in_the_morning(forms: frozenset[str]) -> bool:
    """True for what is swallowed, or says nothing of how it is given: a sip of water goes with no patch or spray."""
    return forms <= _SWALLOWED


def is_as_needed(entry: MedicineEntry) -> bool:
    """True where the order is for when it is needed, by its structure or by the words of every instruction."""
    return all(_taken(one) == "as needed" for one in instructions(entry))


def with_how_taken(row: MedicineRow, entry: MedicineEntry, known: Recognised, rules: Ruleset) -> MedicineRow:
    """The row with what the patient must know of the day of surgery: only as needed, a rescue medicine, not swallowed.

    Nothing of it changes what is proposed. What pauses may be answered to go on: that it is not swallowed holds then.
    """
    if not row.recognised or row.decision in ("already stopped", "entered in error"):
        return row
    forms = forms_of(entry, known, rules)
    forms |= frozenset().union(*(read_words(one.dose_text, rules).forms for one in instructions(entry)))
    if not row.stops and row.decision in ("continue", "ask", "adjust"):
        if _is_rescue(entry, known, forms, rules):
            return replace(row, notes=(RESCUE, *(n for n in row.notes if n != MORNING)))
        row = _only_as_needed(row, entry, known, rules)
    return replace(row, notes=(*row.notes, NOT_SWALLOWED)) if forms and "oral" not in forms else row


def _only_as_needed(row: MedicineRow, entry: MedicineEntry, known: Recognised, rules: Ruleset) -> MedicineRow:
    """The row of a medicine that is taken when needed: its words must never make a daily medicine of it.

    Nor one for when it is needed of a daily one: where an instruction says both, it is asked which it is.
    """
    tags = frozenset().union(*(rules.ingredients[n].tags for n in known.ingredients))
    taken = {_taken(one) for one in instructions(entry)}
    if taken == {"both"} and "opioid" not in tags:
        return _asking(row, _WHICH if MORNING in row.notes else "")
    if not taken <= {"as needed", "both"} or (taken != {"as needed"} and "opioid" not in tags):
        return row
    begun = "beta-blocker" in tags or "clonidine" in known.ingredients  # never newly begun for the operation
    asked = _asking(row, _HOW_OFTEN if MORNING in row.notes and begun else "")
    return replace(asked, notes=(AS_NEEDED, *(n.removeprefix(_TOO) for n in asked.notes)))


def _asking(row: MedicineRow, question: str) -> MedicineRow:
    """The row without the morning of surgery, and with a question before its own."""
    asked = "; ".join(q for q in (question, row.question) if q)
    return replace(row, notes=tuple(n for n in row.notes if n != MORNING), question=asked)


def _is_rescue(entry: MedicineEntry, known: Recognised, forms: frozenset[str], rules: Ruleset) -> bool:
    """Kept at hand for an attack: what is tagged so, in a form for it, or any inhaler for when it is needed."""
    if not known.ingredients or "patch" in forms:
        return False
    needed = is_as_needed(entry)
    if all("rescue" in rules.ingredients[n].tags for n in known.ingredients):
        return needed or bool(forms & _AT_HAND)
    return needed and "inhaled" in forms


def shared_notes(notes: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """The notes of several substances in one product; the morning of surgery only where it holds for each of them."""
    together = all(MORNING in each for each in notes)
    return tuple(dict.fromkeys(n for each in notes for n in each if together or n != MORNING))


def _taken(one: MedicineEntry) -> Taken:
    """How one instruction is taken; what says nothing of a need is of each day.

    `twice daily. May take 1 more as needed` is a daily medicine; `every 6 hours as needed` is none; `twice daily as
    needed` may be either. The timing of an order whose structure says as needed is that of what is needed.
    """
    texts = [one.words] if one.dose_text == one.words else [one.words, one.dose_text]
    timing = "" if one.as_needed or one.schedule in texts else without_accents(one.schedule)
    clauses = [c for text in texts for c in _clauses(text)]
    if _needed().search(timing):
        clauses, timing = [*clauses, *_clauses(timing)], ""
    needed = [c for c in clauses if _needed().search(c)]
    others = [c for c in clauses if c not in needed and not _REPEATED.match(c)]
    daily = any(_DAILY.search(c) or _AT_NIGHT.search(c) for c in others)
    if one.as_needed:
        return "both" if daily else "as needed"
    more = any(c in others for c in _clauses(one.dose_text)) and any(_MORE.search(c) for c in needed)
    daily = daily or more or any(_HOURLY.search(c) for c in others)
    if daily or not needed:
        return "daily"
    return "both" if any(_DAILY.search(c) for c in (*needed, timing)) else "as needed"


def _clauses(text: str) -> list[str]:
    """A text cut where another dose may begin; what is done as needed and is no dose, and the most of a day, left out.

    A part that begins with `as needed` belongs to the one before: `every 6 hours, as needed for pain`.
    """
    plain = _MOST.sub(" ", _no_dose().sub(" ", without_accents(text)))
    plain = _plus().sub("; 1 more ", _AM_AND_PM.sub("am pm", plain))
    found: list[str] = []
    for part in (p.strip() for p in _CUT.split(plain)):
        if found and _needed().match(part):
            found[-1] = f"{found[-1]} {part}"
        elif part:
            found.append(part)
    return found


_SPANISH_TIMES = (
    "dia", "dias", "diario", "diaria", "diariamente", "manana", "tarde", "noche", "noches", "hora", "horas", "h",
)  # fmt: skip
_CUT = re.compile(r"(?:[;,()\n]|\.(?!\d))+|\b(?:and|plus|then|also|may|y|mas|tambien|puede)\b")
_AM_AND_PM = re.compile(r"\bam ?(?:and|&|/|\+|,|y) ?(?:in |each |every |q ?)?pm\b")  # one dosing, not two
_REPEATED = re.compile(r"(?:repeat|repet|repit)")  # `may repeat in pm`: of what stands before, not a dose of each day
_DAILY = re.compile(
    r"\b(?:daily|every (?:day|morning|evening)|each (?:day|morning|evening)|(?:a|per) day|in the (?:morning|evening)"
    r"|qd|qam|qpm|bid|tid|qid|\d ?x ?/ ?day"
    r"|al dia|por dia|cada (?:dia|manana|tarde)|todos los dias|diari[oa]|diariamente"
    r"|\d+ time\(s\) every \d+ d|(?:tab(?:let)?s?|cap(?:sule)?s?|pills?|in|each|every|q) [ap]m)(?!\w)"
)
_AT_NIGHT = re.compile(r"\b(?:(?:every|each|at) night|nightly|(?:at|every) bedtime|qhs|cada noche|todas las noches)\b")
_HOURLY = re.compile(r"\b(?:every|q|cada) ?\d{1,2}(?: ?(?:-|to|a) ?\d{1,2})? ?h")
# One more than what stands before it: `1-0-1, 1 extra as needed` is taken each day, however that is written.
_MORE = re.compile(r"\b(?:extra|additional|another|more|second|adicional|otra)\b")
_MOST = re.compile(
    r"\b(?:max\w*|not? more than|up to|(?:do )?not (?:to )?exceed|no mas de|no exceder|hasta)\b"
    r"[^.;]*?\b(?:day|daily|24 ?h\w*|dia|diari\w+)\b"
)


@cache
def _needed() -> re.Pattern[str]:
    phrases = "|".join(re.escape(without_accents(w)) for w in vocabulary()["as_needed"])
    return re.compile(rf"(?<!\w)(?:{phrases})(?!\w)")


@cache
def _plus() -> re.Pattern[str]:
    """What is taken as needed beside what stands before it: `twice daily plus prn`.

    The Spanish `más` is a plus after a time only; after anything else it is `more`: `una más si es necesario`.
    """
    mas = "|".join(rf"(?<=\b{time} )mas" for time in _SPANISH_TIMES)
    return re.compile(rf"(?:\bplus|{mas}|\+) (?={_needed().pattern})")


@cache
def _no_dose() -> re.Pattern[str]:
    """What is done as needed without being a dose: `refill as needed`, `check blood pressure as needed`."""
    verbs = r"(?:refill|check|increase|decrease|adjust|titrate|change|call|monitor|renew|surtir|ajustar|aumentar)"
    return re.compile(rf"\b{verbs}\w*\b[^.;,]*?{_needed().pattern}")
