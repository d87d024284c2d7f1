"""How often a medicine is taken and on which weekday, also where only the text says it."""

from __future__ import annotations

import re
from collections.abc import Set
from dataclasses import replace
from functools import lru_cache
from typing import Literal

from waykeeper.medicines.recognise import Recognised
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.spelling import without_accents
from waykeeper.medicines.ways import forms_of
from waykeeper.record.model import MedicineEntry

DAYS_OF_WEEK = 7
# What is known of a medicine: taken weekly in this form and never otherwise; its rule turns on the interval; neither.
Weekly = Literal["known", "possible", "no"]
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_SPANISH = ("lunes", "martes", "miercoles", "jueves", "viernes", "sabado", "domingo")
_WEEKLY = re.compile(
    r"\b(weekly|every week|once (a|per|every) week|every 7 days|q(1)?w"
    r"|semanal(mente)?|cada semana|(una|1) vez (a la|por|cada) semana|cada 7 dias)\b"
)
_WEEKS = re.compile(r"\b(?:every|q|cada) ?(\d{1,2}) ?(?:weeks?|w|wk|semanas)\b|\bq(\d{1,2})w(?:k|eeks?)?\b")
_DAILY = re.compile(
    r"\b(daily|every day|each day|per day|a day|q\.?d|bid|tid|qid|every (morning|evening|night)|nightly"
    r"|every \d+ hours|q\d+h|diari[oa]s?|diariamente|cada dia|todos los dias|al dia|por dia|cada \d+ horas"
    r"|(cada|todas las) (manana|noche|tarde)s?)\b"
)
_OFTEN = re.compile(
    r"(?<![\d.])(?:[2-7]|two|three|four|five|six|seven|twice)(?: ?x| times| days)?"
    r" ?(?:weekly|(?:a|per|every|each|/) ?week)\b"
    r"|\b(?:[2-7]|dos|tres|cuatro|cinco|seis|siete) (?:veces|dias) (?:a la|por|cada) semana\b"
)
_SPANISH_DAY = r"(?:lunes|martes|miercoles|jueves|viernes|sabados?|domingos?)"
# `every sun exposure` is no Sunday: sun and sat only with `day`.
_DAY_NAME = r"(?:(?:mon|tues?|wed(?:nes)?|thu(?:rs?)?|fri)(?:day)?|(?:satur|sat|sun)day)"
_EACH_NAMED = re.compile(
    rf"\b(?:(?:every|each) {_DAY_NAME}|(?:mon|tues|wednes|thurs|fri|satur|sun)days"
    rf"|(?:cada|los|todos los) {_SPANISH_DAY})\b"
)  # `every Thursday`, `Thursdays`, `los jueves`
_OTHER_WEEK = re.compile(
    rf"\b(?:(?:every|each) (?:other|second|2nd)|alternat(?:e|ing)) (?:weeks?|{_DAY_NAME}s?)\b(?! of)"
    r"|\bevery (?:14 days|two weeks)\b|\bcada (?:14 dias|dos semanas)\b"
    rf"|\b{_SPANISH_DAY} alternos\b|\bsemanas alternas\b"
)
_NAMED = re.compile(
    r"\b(mon|tues?|wed|thu|thur|thurs|fri|sat|(?<!avoid )(?<!the )(?<!direct )sun"
    r"(?! (?:exposure|light|screen|block|protect\w*)\b))(?:days?|sdays?|nesdays?|rsdays?|urdays?)?\b"
)
_NAMED_SPANISH = re.compile(rf"\b{_SPANISH_DAY}\b")
# A weekday of a longer cycle, never of each week.
_CYCLE = re.compile(
    r"\b(alternat\w*|every other|each other|every second|first|second|third|fourth|last|1st|2nd|3rd|4th|5th|month\w*"
    r"|(every|each|q) ?(?!7 days|1 week)(\d+|two|three|four|six|eight|twelve) ?(day|week|month)s?|q\d+w\w*"
    r"|fortnight\w*|biweekly|altern[oa]s|mes|mensual\w*|quincenal\w*|primer[oa]?|segund[oa]|ultim[oa]"
    r"|cada (\d+|dos|tres|cuatro|seis|ocho) (dias|semanas|meses))\b"
)
# On that day something else happens than the dose.
_ELSE = re.compile(
    r"\b(inr|pt|labs?|bloods?|cbc|bmp|cmp|lfts?|checks?|checked|recheck\w*|tests?|tested|testing|weigh\w*|clinic\w*"
    r"|visits?|monitor\w*|draws?|drawn|levels?|calls?|appointments?|appt|dialysis|refills?|nurse|pharmacy|results?"
    r"|control\w*|analisis|analitica\w*|sangre|pes[ae]\w*|cita|consulta|laboratorio|llam\w*)\b"
)
_BUT = re.compile(
    r"\b(skip\w*|except\w*|not?|never|don'?t|hold|but|rest|other days|avoid\w*|omit\w*|until|start\w*|stop\w*"
    r"|salvo|excepto|menos|sin|resto|demas|evit\w*|pero)\b"
)


def weekly_medicine(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> Weekly:
    """What the rules know of the substances of a row: can a weekday that its text names be its dose day?"""
    substances = known.ingredients or known.named
    if not substances:
        return "no"
    forms = forms_of(entry, known, rules) or {"unknown"}
    found = [_one_weekly(name, forms, rules) for name in substances]
    return "no" if "no" in found else "possible" if "possible" in found else "known"


def _one_weekly(name: str, forms: Set[str], rules: Ruleset) -> Weekly:
    weekly = rules.ingredients[name].weekly
    if weekly:
        return "no" if weekly.isdisjoint(forms) else "known"
    return "possible" if any("period" in case.when for case in rules.single[name].cases) else "no"


def with_dosing(entry: MedicineEntry, weekly: Weekly) -> MedicineEntry:
    """The entry with period and weekday filled from its texts where no structured timing says them.

    `weekly` is what the rules know of the medicine: `INR every Monday` of a daily one is no dose day.
    """
    text = _text(entry)
    period = entry.period_days if entry.period_days is not None else _period(text, weekly)
    weekday = entry.weekday if entry.weekday is not None else _weekday(text)
    if entry.weekday is None and weekly != "known" and _ELSE.search(text):
        weekday = None
    if (period, weekday) == (entry.period_days, entry.weekday):
        return entry
    return replace(entry, period_days=period, weekday=weekday)


def weekday_in_doubt(entry: MedicineEntry, weekly: Weekly) -> bool:
    """True where a text names a weekday, and does not surely say that it is the dose day of each week."""
    text = _text(entry)
    if entry.weekday is not None or not _named(text) or oftener_than_weekly(entry):
        return False
    taken = with_dosing(entry, weekly)
    if taken.period_days not in (None, DAYS_OF_WEEK):
        return False
    plain = not (_CYCLE.search(text) or _ELSE.search(text) or _BUT.search(text))
    return not (taken.period_days == DAYS_OF_WEEK and taken.weekday is not None and plain)


def oftener_than_weekly(entry: MedicineEntry) -> bool:
    """True where the timing or any text of an order has more than one dose a week, whatever else it says."""
    text = _text(entry)
    if (entry.times_a_week or 0) > 1 or (entry.period_days is not None and entry.period_days < DAYS_OF_WEEK):
        return True
    return bool(_DAILY.search(text) or _OFTEN.search(text))


def _text(entry: MedicineEntry) -> str:
    return without_accents(f"{entry.schedule} {entry.dose_text} {entry.words}")


@lru_cache(maxsize=4096)
def _period(text: str, weekly: Weekly) -> int | None:
    """Days between doses; None where the text says none, or two different ones."""
    found = {DAYS_OF_WEEK} if _says_weekly(text, weekly) or _each_weekday(text, weekly) else set()
    found |= {14} if _OTHER_WEEK.search(text) else set()
    found |= {7 * int(a or b) for a, b in _WEEKS.findall(text)}
    found |= {1} if _DAILY.search(text) else set()
    return found.pop() if len(found) == 1 else None


def _says_weekly(text: str, weekly: Weekly) -> bool:
    """`once a week`; of `INR weekly` it is not sure what is weekly, unless the medicine never is anything else."""
    return bool(_WEEKLY.search(text)) and (weekly == "known" or not _ELSE.search(text))


def _each_weekday(text: str, weekly: Weekly) -> bool:
    """`every Monday` of a medicine that may be weekly, where neither a longer cycle nor anything else is meant."""
    if weekly == "no" or _weekday(text) is None or not _EACH_NAMED.search(text) or _CYCLE.search(text):
        return False
    return weekly == "known" or not (_ELSE.search(text) or _BUT.search(text))


@lru_cache(maxsize=4096)
def _named(text: str) -> frozenset[int]:
    """The weekdays that a text names, 0 for Monday."""
    english = {_WEEKDAYS.index(n[:3]) for n in _NAMED.findall(text)}
    return frozenset(english | {_SPANISH.index(_singular(n)) for n in _NAMED_SPANISH.findall(text)})


def _singular(day: str) -> str:
    return day.rstrip("s") if day.startswith(("sabado", "domingo")) else day


def _weekday(text: str) -> int | None:
    named = _named(text)
    return next(iter(named)) if len(named) == 1 else None
