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
WEEKDAY_UNKNOWN = "on which weekday is it taken? the last dose lies on or before the day shown"
INTERVAL_UNREAD = "at which interval is it given? the order's own words could not be read, the window depends on them"
DAYS_DIFFER = "its timing and its text name different days or intervals: how often and on which days is it taken?"
NEXT_UNKNOWN = (
    "on which day was it last taken, and when is the next dose due? the last dose lies on or before the day shown"
)
# What is known of a medicine: taken weekly in this form and never otherwise; its rule turns on the interval; it does,
# but this is not the form that is taken weekly, or none is said; neither: then no text moves a date.
Weekly = Literal["known", "possible", "unlikely", "no"]
_SURENESS: tuple[Weekly, ...] = ("no", "unlikely", "possible", "known")
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_SPANISH = ("lunes", "martes", "miercoles", "jueves", "viernes", "sabado", "domingo")
_WEEKLY = re.compile(
    r"\b(weekly|every week|(once|1 ?x|1 time) ?(a|per|every|/) ?(week|wk)|1 ?x ?weekly|every 7 days"
    r"|q ?(1 ?)?(w|wk|week)|q ?7 ?d(ays)?"
    r"|semanal(mente)?|cada semana|(una|1) vez ?(a la|por|cada|/) ?semana|(cada|c/) ?7 ?d(ias)?)\b"
)
_NUMBERS = {
    "two": 2, "three": 3, "four": 4, "six": 6, "eight": 8, "twelve": 12,
    "dos": 2, "tres": 3, "cuatro": 4, "seis": 6, "ocho": 8, "doce": 12,
}  # fmt: skip
_WEEKS = re.compile(rf"\b(?:every|each|q|cada|c/) ?(\d{{1,2}}|{'|'.join(_NUMBERS)}) ?(?:weeks?|w|wks?|semanas|sem)\b")
_WEEKS_OF_DAYS = re.compile(r"\b(?:every|q|cada|c/) ?(14|21|28|42|56|84) ?(?:days?|d|dias)\b")
_DAILY = re.compile(
    r"\b(daily|every day|each day|per day|a day|q\.?d|bid|tid|qid|every (morning|evening|night)|nightly"
    r"|diari[oa]s?|diariamente|cada dia|todos los dias|al dia|por dia|(cada|todas las) (manana|noche|tarde)s?)\b"
)
# The same as British orders have it (od, bd, tds, qds: BNF, Latin abbreviations; from memory), and as a row of what is
# taken in each part of the day (`1-0-1`). `bd syringe` is a make of syringe.
_DAILY_SHORT = re.compile(
    r"\b(?:(?:4|6|8|12|24|48|72)[- ]?hourly|(?:each|every) [ap]\.?m"
    r"|o\.?d|b\.?d(?!\.? ?(?:syringe|needle|pen|insulin|ultra|luer))|t\.?d\.?s|q\.?d\.?s)\b"
    r"|(?<![\d/.-])(?:[0-4]-){2,3}[0-4](?![\d/.-])"
)
# A part of the day says each day, unless anything says of which days.
_PART_OF_DAY = re.compile(
    r"\b(?:(?:each|in the|at|with|before|after) (?:morning|evening|night|bedtime|breakfast|lunch|dinner|supper)"
    r"|in the [ap]\.?m|mornings|evenings|nights|mane|nocte|qam|qpm|qhs|hs|o\.?m|por la (?:manana|noche|tarde)"
    r"|al acostarse)\b"
)
_CODED_PARTS = ("am", "pm", "bed")  # each day (HL7 v3 GTSAbbreviation, by which FHIR R4 codes a timing)
_HOURS = re.compile(r"\b(?:every|q|cada|c/) ?(\d{1,3}) ?(?:h|hs|hrs?|hours?|horas?)\b")
_OFTEN = re.compile(
    r"(?<![\d.])(?:[2-7]|two|three|four|five|six|seven|twice)(?: ?x| times| days)?"
    r" ?(?:weekly|(?:a|per|every|each|/) ?(?:week|wk))\b|\b[2-7] ?x ?(?:week|wk)\b"
    r"|\b(?:[2-7]|dos|tres|cuatro|cinco|seis|siete) ?(?:veces|dias|x) ?(?:a la |por |cada |/ ?)semana\b"
    r"|\bweek(?:days|ends)\b|\bentre semana\b|\bdias laborables\b|\b(?:fin|fines) de semana\b"
)
# Once in a few days. QOD, BIW and TIW stand on the lists of abbreviations that are misread (Joint Commission, official
# "Do Not Use" list: Q.O.D.; ISMP, List of Error-Prone Abbreviations: BIW, TIW; from memory): whichever way, it is more
# than one dose a week.
_FEW_DAYS = re.compile(
    r"\b(?:every (?:other|second|2nd|third|3rd) day|(?:on )?alternat(?:e|ing) days?|eod|q\.?o\.?d|[bt]\.?i\.?w"
    r"|(?:every|q|cada|c/) ?(?:[2-6]|two|three|four|five|six|dos|tres|cuatro|cinco|seis) ?(?:days?|d|dias)"
    r"|dias? alternos?|(?:un )?dias? si,? (?:y )?(?:un dia |otro )?no|(?:un )?dia por medio|interdiari[oa])\b"
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
    r"|\b(?:every|each) fortnight\b|\bfortnightly\b"
    rf"|\b{_SPANISH_DAY} alternos\b|\bsemanas alternas\b"
)
_NAMED = re.compile(
    r"\b(mon|tues?|wed|thu|thur|thurs|fri|sat|(?<!avoid )(?<!the )(?<!direct )sun"
    r"(?! (?:exposure|light|screen|block|protect\w*)\b))(?:days?|sdays?|nesdays?|rsdays?|urdays?)?\b"
)
_NAMED_SPANISH = re.compile(rf"\b{_SPANISH_DAY}\b")
# Several weekdays by their letters: `MWF`, `M/W/F`, `T/Th/Sa`, `Mo We Fr`, `L-X-V`. They are never one day, and which
# they are is asked: a T may be Tuesday or Thursday, an M Monday or martes. `3 mo`, `7 d` are lengths of time, `f/u` and
# `d/c` no days; `4 Mo/Th` are.
_TWO = r"(?:mo|tu|we|th|fr|sa|su|lu|ma|mi|ju|vi|do(?! not\b))"
_DAY_LETTER = rf"(?:{_TWO}|[mtwrfslxjvd])"
_LENGTH = r"(?<!\d)(?<!\d )(?<!\d-)"
_NO_SHORT = r"(?! ?/ ?[a-z])"
_AND = r" ?(?:[/,&+-]| y | and ) ?"
_LETTERS = re.compile(
    r"\b(?:mwf(?:s[au]?)?|t(?:tss?|u?ths?a?(?:ss?u?)?)|mt?wt?[hr]?f|mtu?thf?|mthf)\b(?! ?(?:patch|system|transderm))"
    rf"|\b{_DAY_LETTER}(?:{_AND}{_DAY_LETTER}){{2,}}\b{_NO_SHORT}|\b{_TWO}(?: {_TWO}){{2,}}\b"
    rf"|\b(?:{_TWO}{_AND}{_TWO}|(?:(?!mo, ){_TWO}|{_LENGTH}mo){_AND}[mtwrfslxjvd]\b{_NO_SHORT}"
    rf"|(?:[mtwrfslxjv]|{_LENGTH}d){_AND}{_TWO})\b(?!')"
)
# A longer cycle whose day the order does not say.
_SELDOM = re.compile(
    r"\b(?:monthly|mensual(?:mente)?|quincenal(?:mente)?|fortnight\w*|biweekly|bi-weekly|bimonthly|trimestral"
    r"|(?:once|twice|1 ?x|2 ?x) (?:a|per|every|each) month|(?:every|each|q|cada) ?(?:other )?(?:month|mes)"
    r"|(?:every|each|q|cada|c/) ?(?:\d{1,2}|two|three|four|six|eight|twelve|dos|tres|cuatro|seis|ocho|doce)"
    r" ?(?:weeks?|w|wks?|months?|mo|semanas|sem|mes(?:es)?)|(?:every|q|cada|c/) ?(?:[89]|[1-9]\d) ?(?:days?|d|dias))\b"
)
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
    return min(found, key=_SURENESS.index)


def _one_weekly(name: str, forms: Set[str], rules: Ruleset) -> Weekly:
    weekly = rules.ingredients[name].weekly
    if not weekly.isdisjoint(forms):
        return "known"
    if not any("period" in case.when for case in rules.single[name].cases):
        return "no"
    return "unlikely" if weekly else "possible"


def with_dosing(entry: MedicineEntry, weekly: Weekly) -> MedicineEntry:
    """The entry with period and weekday filled from its texts where no structured timing says them.

    `weekly` is what the rules know of the medicine. Of one that is neither weekly nor in need of its interval nothing
    is read, whatever the words: what a text has every so many weeks or on a day may be anything but the dose.
    """
    if weekly == "no":
        return entry
    text = _text(entry)
    period = entry.period_days if entry.period_days is not None else _period(text, weekly)
    weekday = entry.weekday if entry.weekday is not None else _dose_day(text, period, weekly)
    return replace(entry, period_days=period, weekday=weekday)


def _dose_day(text: str, period: int | None, weekly: Weekly) -> int | None:
    """The weekday of the dose by a text; of a medicine that may be weekly only of each week, and of nothing else."""
    if weekly == "known":
        return _weekday(text)
    return _weekday(text) if period in (None, DAYS_OF_WEEK) and not _ELSE.search(text) else None


def weekday_in_doubt(entry: MedicineEntry, weekly: Weekly) -> bool:
    """True where a text names a weekday, and does not surely say that it is the dose day of each week."""
    text = _text(entry)
    if entry.weekday is not None or not _days_named(text) or oftener_than_weekly(entry):
        return False
    taken = with_dosing(entry, weekly)
    if taken.period_days not in (None, DAYS_OF_WEEK):
        return False
    plain = weekly != "unlikely" and not (_CYCLE.search(text) or _ELSE.search(text) or _BUT.search(text))
    return not (taken.period_days == DAYS_OF_WEEK and taken.weekday is not None and plain)


def days_differ(entry: MedicineEntry, weekly: Weekly) -> bool:
    """True where the text of an order names another interval or another weekday than its timing."""
    text = _own_text(entry)
    if entry.period_days is not None and _period(text, weekly) not in (None, entry.period_days):
        return True
    if entry.weekday is None or (weekly != "known" and _ELSE.search(text)):
        return False
    return _days_named(text) and _weekday(text) != entry.weekday


def by_its_text(entry: MedicineEntry, weekly: Weekly) -> MedicineEntry:
    """The entry as its own text has period and weekday, and its timing only what the text does not name.

    Of a medicine that is none of every week the timing stands: `packs weekly` beside a daily tablet is no week's dose.
    """
    if weekly in ("no", "unlikely"):
        return entry
    said = with_dosing(replace(entry, period_days=None, weekday=None, schedule=""), weekly)
    period = entry.period_days if said.period_days is None else said.period_days
    return replace(entry, period_days=period, weekday=entry.weekday if said.weekday is None else said.weekday)


def oftener_than_weekly(entry: MedicineEntry) -> bool:
    """True where the timing or any text of an order has more than one dose a week, whatever else it says."""
    text = _text(entry)
    if (entry.times_a_week or 0) > 1 or (entry.period_days is not None and entry.period_days < DAYS_OF_WEEK):
        return True
    if _oftener(text) or _OFTEN.search(text) or _DAILY_SHORT.search(text):
        return True
    days = entry.period_days or entry.times_a_week or _WEEKLY.search(text) or _days_named(text) or _seldom(text)
    part = _PART_OF_DAY.search(text) or entry.hours or entry.schedule.casefold() in _CODED_PARTS
    return not days and bool(part)


@lru_cache(maxsize=4096)
def _oftener(text: str) -> bool:
    """True where a text says every day, every few hours or days."""
    few_hours = any(int(hours) < 24 * DAYS_OF_WEEK for hours in _HOURS.findall(text))
    return few_hours or bool(_DAILY.search(text) or _FEW_DAYS.search(text))


def day_unknown(taken: MedicineEntry, weekly: Weekly, *, depot: bool) -> str:
    """What is asked of a medicine that pauses and is not taken every day, where its order does not say on which; or "".

    taken  the entry with what its texts say of period and weekday
    depot  it is injected and works for a week or longer
    """
    text = _text(taken)
    period = taken.period_days if taken.period_days is not None else _period(text, weekly)  # to ask, not to count with
    if period == DAYS_OF_WEEK:
        return WEEKDAY_UNKNOWN if taken.weekday is None else ""
    if period is not None:
        return NEXT_UNKNOWN if period > DAYS_OF_WEEK else ""
    if _oftener(text) or (taken.times_a_week or 0) > 1:
        return ""
    if weekly == "known" and not _seldom(text):
        return WEEKDAY_UNKNOWN if taken.weekday is None else ""
    seldom = _seldom(text) and (weekly == "known" or not _ELSE.search(text))
    return NEXT_UNKNOWN if seldom or depot else ""


def interval_unread(entry: MedicineEntry, weekly: Weekly) -> bool:
    """True where a text speaks of a longer cycle and its days could not be read, or it names two: `monthly`.

    Which of two is the dose's, and which that of the labs, nobody can tell by words for all that is done besides.
    """
    text = _text(entry) if entry.period_days is None else _own_text(entry)
    read = _period(text, weekly)
    if entry.period_days is not None:
        return _seldom(text) and read != entry.period_days
    return _seldom(text) and (read is None or _part_unread(text))


def _part_unread(text: str) -> bool:
    """True where one of the cycles that a text speaks of is not among the intervals that were read."""
    read = [m.span() for known in (_OTHER_WEEK, _WEEKS, _WEEKS_OF_DAYS) for m in known.finditer(text)]
    spoken = [m.span() for m in _SELDOM.finditer(text)]
    return any(not any(start < b and a < end for a, b in read) for start, end in spoken)


@lru_cache(maxsize=4096)
def _seldom(text: str) -> bool:
    """True where a text speaks of a cycle of more than a week."""
    return bool(_SELDOM.search(text))


def _text(entry: MedicineEntry) -> str:
    return without_accents(f"{entry.schedule} {entry.dose_text} {entry.words}")


def _own_text(entry: MedicineEntry) -> str:
    """What an order says beside its timing."""
    return without_accents(f"{entry.dose_text} {entry.words}")


@lru_cache(maxsize=4096)
def _period(text: str, weekly: Weekly) -> int | None:
    """Days between doses; None where the text says none, or two different ones."""
    found = {DAYS_OF_WEEK} if _says_weekly(text, weekly) or _each_weekday(text, weekly) else set()
    if weekly in ("known", "possible") or not _ELSE.search(text):  # `INR every 4 weeks` asks for no next tablet
        found |= {14} if _OTHER_WEEK.search(text) else set()
        found |= {7 * (_NUMBERS.get(weeks) or int(weeks)) for weeks in _WEEKS.findall(text)}
        found |= {int(days) for days in _WEEKS_OF_DAYS.findall(text)}
    found |= {max(1, int(hours) // 24) for hours in _HOURS.findall(text)}
    found |= {1} if _DAILY.search(text) else set()
    if weekly == "known" and DAYS_OF_WEEK in found:  # never otherwise: what is every 12 weeks is something else
        found = {days for days in found if days <= DAYS_OF_WEEK}
    return found.pop() if len(found) == 1 else None


def _says_weekly(text: str, weekly: Weekly) -> bool:
    """`once a week`; of `INR weekly` it is not sure what is weekly, unless the medicine never is anything else."""
    return bool(_WEEKLY.search(text)) and (weekly == "known" or not _ELSE.search(text))


def _each_weekday(text: str, weekly: Weekly) -> bool:
    """`every Monday` of a medicine that may be weekly, where neither a longer cycle nor anything else is meant."""
    if weekly in ("no", "unlikely") or _weekday(text) is None or not _EACH_NAMED.search(text) or _CYCLE.search(text):
        return False
    return weekly == "known" or not (_ELSE.search(text) or _BUT.search(text))


@lru_cache(maxsize=4096)
def _named(text: str) -> frozenset[int]:
    """The weekdays that a text names, 0 for Monday."""
    english = {_WEEKDAYS.index(n[:3]) for n in _NAMED.findall(text)}
    return frozenset(english | {_SPANISH.index(_singular(n)) for n in _NAMED_SPANISH.findall(text)})


@lru_cache(maxsize=4096)
def _days_named(text: str) -> bool:
    """True where a text names weekdays, in words or by their letters."""
    return bool(_named(text) or _LETTERS.search(text))


def _singular(day: str) -> str:
    return day.rstrip("s") if day.startswith(("sabado", "domingo")) else day


def _weekday(text: str) -> int | None:
    named = _named(text)
    return next(iter(named)) if len(named) == 1 and not _LETTERS.search(text) else None
