"""At what time of day a medicine is taken, as far as its order says so."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import time
from functools import lru_cache

from waykeeper.medicines.spelling import without_accents
from waykeeper.record.model import MedicineEntry

MIDNIGHT, NOON = time(0), time(12)
_EVENING_FROM = time(17)  # common practice, no source
_HALF_DAY = 12
_FEW = 4  # up to so many is as likely a number of tablets as an hour: `1 AM` is one tablet in the morning
# FHIR R4, event-timing: evening, night, before sleep, and before, with and after the meal of the evening.
_EVENING_CODES = frozenset({"EVE", "EVE.early", "EVE.late", "NIGHT", "HS", "PHS", "ACV", "CV", "PCV"})
_STRUCTURED = re.compile(r"([01]?\d|2[0-3]):([0-5]\d):?")
_NUMBER = re.compile(
    r"(?<![\d.:])(?P<hour>[01]?\d|2[0-3])(?!\d)(?::(?P<minute>[0-5]\d)(?!\d))?(?: ?(?P<half>[ap])\.? ?m\b\.?)?"
)
_WARD = re.compile(r"\bat ([01]\d|2[0-3])([0-5]\d)\b(?! ?[a-z%-])")  # at 0800, and no amount
# Other spellings of a clock, each turned into `20:00`: `8.30 pm`, `a las 20.30`, `20h30`, `2000 h`, `a las 20 h`,
# `a las 20`, `8 h y 20 h`, and `20h` alone where nothing before or after it may make a length of time of it. Quarters
# only: `6.25 am` is an amount.
_H = r" ?(?:hs?|hrs?|hours|horas?)\b"
_UNIT = (
    r"(?! ?(?:mg|mcg|ug|g\b|gr\b|gramos|ml|u\b|ui\b|iu\b|uni\w*|gotas|drops|puffs|sprays?|sobres|tab\w*|comp\w*|cap\w*"
    r"|pastill\w*|min\w*|seg\w*|d\b|dias?|days?|semanas|weeks?|mes\w*|veces|times|%|mm|cc))"
)
_LENGTH = r"(?<![\d.:/-])(?<!q)(?<!q )(?<!c/)(?<!x)(?<!x )(?<!for )(?<!over )(?<!in )(?<!within )(?<!every )(?<!each )"
_LENGTH += r"(?<!cada )(?<!durante )(?<!por )(?<!en )(?<!dentro de )(?<!las primeras )(?<!las ultimas )(?<!first )"
_BEFORE = r"(?:^|(?<=[|,;:(@])|(?<=[|,;:(@] )|(?<=\bat )|(?<=\band )|(?<=\by )|(?<=\be )"
_BEFORE += r"|(?<=\bmg )|(?<=\bdaily )|(?<=\bdia ))"
_AFTER = r"(?= ?(?:$|[|,;.)]|(?:y|e|and|con|with|via|por via|oral)\b))"
_SPELLINGS = (
    (re.compile(r"(?<![\d.:])(0?[1-9]|1[0-2])\.(00|15|30|45)(?= ?[ap]\.? ?m\b)"), r"\1:\2"),
    (re.compile(r"\blas ([01]?\d|2[0-3])\.(00|15|30|45)\b"), r"las \1:\2"),
    (re.compile(rf"(\blas ?|\bat ?|\b(?=0\d|1[3-9]|2\d))([01]?\d|2[0-3]) ?h ?([0-5]\d)\b{_UNIT}"), r"\1\2:\3"),
    (re.compile(rf"{_LENGTH}\b([01]\d|2[0-3])([0-5]\d){_H}"), r"\1:\2"),
    (re.compile(rf"(\blas|\bat|@) ?([01]?\d|2[0-3]){_H}"), r"\1 \2:00"),
    (re.compile(rf"{_LENGTH}\b(0?\d|1\d){_H}( ?(?:,|y|e|and) ?)(1[3-9]|2[0-3]){_H}"), r"\1:00\2\3:00"),
    (re.compile(rf"\ba las (1[3-9]|2[0-3])\b(?![.:\d/-]){_UNIT}"), r"a las \1:00"),
    (re.compile(rf"{_BEFORE}(1[7-9]|2[0-3]){_H}{_AFTER}"), r"\1:00"),
)
# A number beside a clock that is none itself: `9 y a las 21:00`, `0900 & 21:00`, `entre las 8 y las 20:00`.
_AND = r" ?(?:,|;|y|e|and|&|o|or|-|/|a|to|hasta) ?(?:y |and )?"
_CLOCK = r"\d{1,2}:\d\d"
_ANOTHER = re.compile(
    rf"(?<![\d.:])\d{{1,4}}(?:{_H})?{_AND}(?:a )?(?:las |at |@ ?)?{_CLOCK}"
    rf"|{_CLOCK}{_AND}(?:a )?(?:las |at |@ ?)?(?:[01]?\d|2[0-3])\b(?![.:\d]){_UNIT}"
)
_JOINED = re.compile(r" ?(?:-|\u2013|to|until|or|a|o|hasta) ?")  # `7-8 pm`, `8 a 10 am`
_LED = re.compile(r"(?:\b(?:at|by|around|about|before|after|from|until|las?)|[@~]) ?$")  # what follows is an hour
_EVENING = re.compile(
    r"\b(evenings?|bed ?time|before bed|nights?|night ?time|nightly|supper|dinner|q ?hs|hs|qpm"
    r"|noches?|(?<!mas )tardes?|cena|cenar|acostarse|dormir)\b"
)
_EARLIER = re.compile(
    r"\b(a\.? ?m|mornings?|breakfast|waking|wakening|awakening|awake|rising|arising|qam|noon|midday|lunch|afternoons?"
    r"|meals|twice|thrice|b\.?i\.?d|t\.?i\.?d|q\.?i\.?d"
    r"|(?:two|three|four|[2-9]) (?:times|x)|every \d+(?: ?(?:-|to) ?\d+)? ?h(?:ou)?rs?|q ?\d+ ?h"
    r"|mananas?|desayun\w*|levantarse|despertar\w*|mediodia|almuerzo|comidas?"
    r"|(?:dos|tres|cuatro|[2-9]) veces|cada \d+ (?:horas|h))\b"
)
_NEGATED = re.compile(r"\b(not?|never|except\w*|avoid\w*|skip\w*|stop\w*|without|instead|don'?t|nunca|salvo|evit\w*)\b")
_CLAUSES = re.compile(r"[.,;()\n]")
_PM = re.compile(r"\bp\.? ?m\b")


@dataclass(frozen=True, slots=True)
class Usual:
    """Between which times of the day a dose is taken; both the same where the order names one time.

    morning  the order says no more than morning: the dose may be meant before or after any time of it
    """

    first: time
    last: time
    morning: bool = False


_SOME_MORNING = Usual(time(0), time(11, 59), morning=True)
_AFTER_NOON = Usual(NOON, time(23, 59))


def usual_times(entry: MedicineEntry) -> tuple[Usual, ...]:
    """The times that the order's timing names; those of its text only where the timing names none."""
    return _structured(entry) or _in_words(_text(entry))


def contradicted(entry: MedicineEntry) -> bool:
    """True where the text names a time of the day at which the timing has no dose."""
    timing = _structured(entry)
    if not timing:
        return False
    said = _in_words(_text(entry))
    if not said and all(t.last < _EVENING_FROM for t in timing):
        return _only_evening(_text(entry))
    return any(not any(one.first <= t.first <= one.last for t in timing) for one in said)


def evening_only(entry: MedicineEntry) -> bool:
    """True where an order that has no `usual_times` says evening or bedtime and nothing earlier: never before noon."""
    if entry.times_a_week is not None and entry.times_a_week > 7:
        return False
    said = _text(entry)
    if _half_read(said):
        return False
    text = without_accents(f"{entry.words} {said}")
    if entry.hours:
        evening = all(code in _EVENING_CODES for code in entry.hours)
        return evening and not _EARLIER.search(text) and not _evening_negated(text)
    return _only_evening(text)


def _text(entry: MedicineEntry) -> str:
    return without_accents(" | ".join(dict.fromkeys((entry.schedule, entry.dose_text))))


@lru_cache(maxsize=4096)
def _one_spelling(text: str) -> str:
    for pattern, spelled in _SPELLINGS:
        text = pattern.sub(spelled, text)
    return text


def _only_evening(text: str) -> bool:
    return bool(_EVENING.search(text)) and not _EARLIER.search(text) and not _evening_negated(text)


def _evening_negated(text: str) -> bool:
    """`not at bedtime`: a clause that names the evening and denies it."""
    return any(_EVENING.search(clause) and _NEGATED.search(clause) for clause in _CLAUSES.split(text))


def _structured(entry: MedicineEntry) -> tuple[Usual, ...]:
    found = {time(int(m[1]), int(m[2])) for hour in entry.hours if (m := _STRUCTURED.fullmatch(hour))}
    return tuple(Usual(t, t) for t in sorted(found))


@lru_cache(maxsize=4096)
def _in_words(text: str) -> tuple[Usual, ...]:
    """The clock times of a text, in their order on the day; none where another beside them may be unread."""
    return () if _half_read(text) else _clocks(_one_spelling(text))


def _half_read(text: str) -> bool:
    """True where beside a clock in another spelling stands a number, or a part of the day at which none of them is."""
    spelled = _one_spelling(text)
    if spelled == text:
        return False
    if _ANOTHER.search(spelled):
        return True
    rest = _NUMBER.sub(lambda one: " " if _is_clock(one) else one[0], spelled)
    return all(one.first >= NOON for one in _clocks(spelled)) and bool(_EARLIER.search(rest))


def _clocks(text: str) -> tuple[Usual, ...]:
    ward = {time(int(h), int(m)) for h, m in _WARD.findall(text)}
    found = {Usual(t, t) for t in ward}
    numbers = list(_NUMBER.finditer(text))
    at = 0
    while at < len(numbers):
        one, after = numbers[at], numbers[at + 1] if at + 1 < len(numbers) else None
        joined = after is not None and _is_span(one, after, text)
        read = _span(one, after, text) if joined and after is not None else _single(one, text)
        found |= {read} if read else set()
        at += 2 if joined else 1
    return _beside_evening(tuple(sorted(found, key=lambda u: (u.first, u.last))), text)


def _beside_evening(found: tuple[Usual, ...], text: str) -> tuple[Usual, ...]:
    """The times of a text that also names the evening, at which none of them lies: one may be of something else.

    `blood pressure at 8 AM, take at bedtime`: the dose may be later.
    """
    if not _EVENING.search(text) or _evening_negated(text) or any(u.last >= _EVENING_FROM for u in found):
        return found
    return tuple(Usual(u.first, time(23, 59), morning=u.morning or not _only_evening(text)) for u in found)


def _is_clock(one: re.Match[str]) -> bool:
    return bool(one["minute"] or one["half"])


def _is_span(one: re.Match[str], other: re.Match[str], text: str) -> bool:
    """`7-8 pm`, `7:00 to 8:00`; not `1 - 20:00`, where the first number is no time."""
    if not _JOINED.fullmatch(text, one.end(), other.start()):
        return False
    return bool(other["half"]) or (_is_clock(one) and _is_clock(other))


def _span(one: re.Match[str], other: re.Match[str], text: str) -> Usual | None:
    """From one time to another, the first in the half of the day of the second where it names none."""
    half = one["half"] or other["half"]
    if half and _few(one, text):
        return _SOME_MORNING if half == other["half"] == "a" else _AFTER_NOON if half == "p" else None
    if not half:
        first, last = _single(one, text), _single(other, text)
        ends = (first.first, last.last) if first and last else None
    else:
        ends = (_clock(one, half), _clock(other, other["half"] or half))
    if ends is None:
        return None
    if ends[0] <= ends[1]:
        return Usual(*ends)
    return Usual(time(0), time(23, 59))  # `11-1 pm`, `7 pm to 7 am`: nobody knows from when


def _single(one: re.Match[str], text: str) -> Usual | None:
    """A time by itself; None for a number that is none."""
    if not _is_clock(one):
        return None
    if one["half"]:
        if _few(one, text) or _fraction(one, text):
            return _SOME_MORNING if one["half"] == "a" else _AFTER_NOON
        exact = _clock(one, one["half"])
        return Usual(exact, exact)
    return _without_half(one, text)


def _without_half(one: re.Match[str], text: str) -> Usual:
    """`8:00`: of 24 hours, unless the text speaks of the evening; then in the evening, or nobody knows."""
    hour, minute = int(one["hour"]), int(one["minute"])
    exact = time(hour, minute)
    if hour > _HALF_DAY or hour == 0:
        return Usual(exact, exact)
    evening = bool(_EVENING.search(text))
    written_24 = one["hour"].startswith("0")
    if evening and _only_evening(text) and hour != _HALF_DAY:
        late = time(hour + _HALF_DAY, minute)
        return Usual(late, late)
    ratio = hour <= _FEW and not written_24 and not _LED.search(text[: one.start()])
    if evening or ratio or (_PM.search(text) and not written_24):
        return Usual(time(hour % _HALF_DAY, minute), time(hour % _HALF_DAY + _HALF_DAY, minute))
    return Usual(exact, exact)


def _few(one: re.Match[str], text: str) -> bool:
    """True for `1 AM`, which is a number of tablets rather than an hour, unless `at` or the like leads to it."""
    return not one["minute"] and int(one["hour"]) <= _FEW and not _LED.search(text[: one.start()])


def _fraction(one: re.Match[str], text: str) -> bool:
    """True for the second number of `1/2 am`."""
    return not one["minute"] and bool(re.search(r"\d ?/ ?$", text[: one.start()]))


def _clock(one: re.Match[str], half: str) -> time:
    hour, minute = int(one["hour"]), int(one["minute"] or 0)
    if hour > _HALF_DAY or hour == 0:  # `20:00 pm`
        return time(hour, minute)
    return time(hour % _HALF_DAY + (_HALF_DAY if half == "p" else 0), minute)
