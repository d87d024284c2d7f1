"""How often a medicine is taken and on which weekday, also where only the text says it."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

from waykeeper.record.model import MedicineEntry

DAYS_OF_WEEK = 7
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_WEEKLY = re.compile(r"\b(weekly|every week|once (a|per|every) week|every 7 days|q(1)?w)\b")
_WEEKS = re.compile(r"\b(?:every|q) ?(\d{1,2}) ?(?:weeks?|w|wk)\b|\bq(\d{1,2})w(?:k|eeks?)?\b")
_DAILY = re.compile(
    r"\b(daily|every day|each day|per day|a day|q\.?d|bid|tid|qid|every (morning|evening|night)|nightly"
    r"|every \d+ hours|q\d+h)\b"
)
_OFTEN = re.compile(
    r"(?<![\d.])(?:[2-7]|two|three|four|five|six|seven|twice)(?: ?x| times| days)?"
    r" ?(?:weekly|(?:a|per|every|each|/) ?week)\b"
)
_DAY_NAME = r"(?:mon|tues?|wed(?:nes)?|thu(?:rs?)?|fri|sat(?:ur)?|sun)"
_EACH_NAMED = re.compile(
    rf"\b(?:(?:every|each) {_DAY_NAME}(?:day)?|{_DAY_NAME}days)\b"
)  # `every Thursday`, `Thursdays`
_OTHER_WEEK = re.compile(
    rf"\b(?:every|each) (?:other|second|2nd) (?:week|{_DAY_NAME}(?:day)?)\b(?! of)|\bevery 14 days\b"
)
_NAMED = re.compile(r"\b(mon|tue|tues|wed|thu|thur|thurs|fri|sat|sun)(?:days?|sdays?|nesdays?|rsdays?|urdays?)?\b")


def with_dosing(entry: MedicineEntry) -> MedicineEntry:
    """The entry with period and weekday filled from its texts where no structured timing says them."""
    text = f"{entry.schedule} {entry.dose_text} {entry.words}".casefold()
    period = entry.period_days if entry.period_days is not None else _period(text)
    weekday = entry.weekday if entry.weekday is not None else _weekday(text)
    if (period, weekday) == (entry.period_days, entry.weekday):
        return entry
    return replace(entry, period_days=period, weekday=weekday)


def oftener_than_weekly(entry: MedicineEntry) -> bool:
    """True where the timing or any text of an order has more than one dose a week, whatever else it says."""
    text = f"{entry.schedule} {entry.dose_text} {entry.words}".casefold()
    if (entry.times_a_week or 0) > 1 or (entry.period_days is not None and entry.period_days < DAYS_OF_WEEK):
        return True
    return bool(_DAILY.search(text) or _OFTEN.search(text))


@lru_cache(maxsize=4096)
def _period(text: str) -> int | None:
    """Days between doses; None where the text says none, or two different ones."""
    found = {7} if _WEEKLY.search(text) or (_EACH_NAMED.search(text) and _weekday(text) is not None) else set()
    found |= {14} if _OTHER_WEEK.search(text) else set()
    found |= {7 * int(a or b) for a, b in _WEEKS.findall(text)}
    found |= {1} if _DAILY.search(text) else set()
    return found.pop() if len(found) == 1 else None


@lru_cache(maxsize=4096)
def _weekday(text: str) -> int | None:
    named = {_WEEKDAYS.index(n[:3]) for n in _NAMED.findall(text)}
    return named.pop() if len(named) == 1 else None
