"""Intervals in words, English and Spanish: "6 week check" speaks of the visit six weeks after surgery."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

_NUMBERS = {
    "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9, "ten": 10,
    "eleven": 11, "twelve": 12, "eighteen": 18, "twenty-four": 24,
    # not `once`, which is eleven in Spanish: `once a week`
    "un": 1, "una": 1, "dos": 2, "tres": 3, "cuatro": 4, "cinco": 5, "seis": 6, "siete": 7, "ocho": 8, "nueve": 9,
    "diez": 10, "doce": 12, "quince": 15, "dieciocho": 18, "veinticuatro": 24,
}  # fmt: skip
# `control del tercer mes`, `sixth week`: said of weeks, months and years.
_ORDINALS = {
    "first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5, "sixth": 6, "eighth": 8, "tenth": 10, "twelfth": 12,
    "primer": 1, "primera": 1, "segundo": 2, "segunda": 2, "tercer": 3, "tercera": 3, "cuarto": 4, "cuarta": 4,
    "quinto": 5, "quinta": 5, "sexto": 6, "sexta": 6, "octavo": 8, "octava": 8, "décimo": 10, "décima": 10,
    "decimo": 10, "decima": 10, "duodécimo": 12, "duodécima": 12, "duodecimo": 12, "duodecima": 12,
}  # fmt: skip
_UNITS = {
    "day": ("day", 1), "days": ("day", 1), "d": ("day", 1),
    "week": ("day", 7), "weeks": ("day", 7), "wk": ("day", 7), "wks": ("day", 7), "w": ("day", 7),
    "month": ("month", 1), "months": ("month", 1), "mo": ("month", 1), "mos": ("month", 1), "mth": ("month", 1),
    "mths": ("month", 1), "m": ("month", 1),
    "year": ("month", 12), "years": ("month", 12), "yr": ("month", 12), "yrs": ("month", 12), "y": ("month", 12),
    "día": ("day", 1), "días": ("day", 1), "dia": ("day", 1), "dias": ("day", 1),
    "semana": ("day", 7), "semanas": ("day", 7), "sem": ("day", 7), "mes": ("month", 1), "meses": ("month", 1),
    "año": ("month", 12), "años": ("month", 12),
}  # fmt: skip
_WORDS = re.compile(
    r"(?<![\w/.,-])(\d{1,3}|" + "|".join(sorted(_NUMBERS, key=len, reverse=True)) + r")[\s-]?("
    + "|".join(sorted(_UNITS, key=len, reverse=True)) + r")(?![\w])",
    re.IGNORECASE,
)  # fmt: skip
_COUNT = r"\d{1,3}|" + "|".join(sorted(_NUMBERS, key=len, reverse=True))
_TWO = re.compile(  # `six and twelve weeks`: the unit is of both
    rf"(?<![\w/.,-])({_COUNT}) (?:and|or|y|o|&) (?:{_COUNT})[\s-]?("
    + "|".join(sorted((u for u in _UNITS if len(u) > 1), key=len, reverse=True)) + r")(?![\w])",
    re.IGNORECASE,
)  # fmt: skip
# Not of a month: `the first week of June`, `tercera semana de mayo` say a day of the calendar.
_NTH = re.compile(
    rf"(?<![\w/.,-])(?:(\d{{1,2}})(?:st|nd|rd|th|er|ra|ro|da|do|ta|to|va|vo|ma|mo|\.?[ªº])|({'|'.join(_ORDINALS)})) ("
    + "|".join(u for u in _UNITS if len(u) > 1 and u[0] != "d")
    + r")(?![\w])(?! (?:of|in|de|del|en)\b)",
    re.IGNORECASE,
)
# `6 to 8 weeks`, `seis a ocho semanas` name no one visit; `65 year old`, `45 años` say how old somebody is
_RANGE = re.compile(rf"(?<![\w/.,-])(?:{_COUNT})(?: to | a |-)(?:{_COUNT})(?=[\s-]?[^\W\d_])", re.IGNORECASE)
_AGE = re.compile(rf"(?<![\w/.,-])(?:{_COUNT})[\s-]?(?:ye?a?rs?[\s-](?:old|of age)|años de edad)\b", re.IGNORECASE)
_LONGEST = 240  # months; a visit after more than twenty years is none that a pathway plans
_DASHES = str.maketrans(dict.fromkeys("\u2010\u2011\u2012", "-"))
_RANGE_DASH = re.compile(rf"(?<![\w/.,-])({_COUNT})\u2013", re.IGNORECASE)  # elsewhere it parts words
# `y` is "and" in Spanish, and means years only right behind its digits: not in `a las nueve y media`
_LETTER = frozenset({"d", "w", "m", "y"})
_YEARLY = re.compile(r"\b(annual|yearly|anual)\b", re.IGNORECASE)
_MONTH_DAYS = 30.4375  # mean Gregorian month; used only to ask whether two intervals are nearly as long
_NEARLY = 0.12

Interval = tuple[str, int]  # ("day", 42) or ("month", 3)


def _days(interval: Interval) -> float:
    return interval[1] * (1.0 if interval[0] == "day" else _MONTH_DAYS)


def _plain(text: str) -> str:
    """One space between words and one kind of hyphen: exports pad columns, word processors write others."""
    return " ".join(_RANGE_DASH.sub(r"\1-", unicodedata.normalize("NFC", text).translate(_DASHES)).split())


@lru_cache(maxsize=4096)
def intervals(text: str) -> frozenset[Interval]:
    """Every interval that a text names; weeks as days and years as months, so that spellings compare."""
    found: set[Interval] = set()
    text = _AGE.sub(" ", _RANGE.sub(" ", _plain(text)))
    for match in (*_WORDS.finditer(text), *_TWO.finditer(text)):
        number, unit = match.groups()
        if unit.lower() in _LETTER and not (number.isdigit() and (unit.lower() != "y" or match[0] == number + unit)):
            continue
        count = int(number) if number.isdigit() else _NUMBERS[number.lower()]
        base, factor = _UNITS[unit.lower()]
        if count and not (base == "month" and count * factor > _LONGEST):
            found.add((base, count * factor))
    for digits, word, unit in _NTH.findall(text):
        base, factor = _UNITS[unit.lower()]
        found.add((base, (int(digits) if digits else _ORDINALS[word.lower()]) * factor))
    if _YEARLY.search(text):
        found.add(("month", 12))
    return frozenset(found)


@lru_cache(maxsize=4096)
def own_interval(phrase: str) -> Interval | None:
    """The interval of a visit's phrase, e.g. "6 weeks after surgery"; None for anything else."""
    return next(iter(intervals(phrase)), None) if " after " in phrase and phrase[:1].isdigit() else None


def nearly(one: Interval, other: Interval) -> bool:
    """True if two intervals are about as long ("12 weeks" and "3 months"): neither the same nor another."""
    longer, shorter = max(_days(one), _days(other)), min(_days(one), _days(other))
    return longer - shorter <= _NEARLY * longer
