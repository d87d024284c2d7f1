"""What a phrase itself tells the patient: how often a series comes, and the part of the day that was meant."""

from __future__ import annotations

from functools import lru_cache

from waykeeper.report.interface import Interface
from waykeeper.timing.errors import PhraseError
from waykeeper.timing.grammar import parse
from waykeeper.timing.phrases import Clock, DayOf, Offset, Phrase, Series


def series_of(phrase: str) -> Series | None:
    """The series of a phrase, or None where it is none or cannot be read (an older version's spelling)."""
    parsed = _parsed(phrase)
    return parsed if isinstance(parsed, Series) else None


def part_of_day(phrase: str) -> str:
    """ "morning", "afternoon", "evening" where a point names a part of the day, else "".

    The clinic's hour for it is good for sorting and ringing; printed as a time it would be more exact than meant,
    and on the day of surgery it may lie after the patient has to leave home.
    """
    parsed = _parsed(phrase)
    return parsed.clock.part if isinstance(parsed, (Offset, DayOf)) and parsed.clock else ""


@lru_cache(maxsize=1024)
def _parsed(phrase: str) -> Phrase | None:
    try:
        return parse(phrase)
    except PhraseError:
        return None


def frequency(words: Interface, phrase: str) -> str:
    """`How often: each day, in the morning and at 8:00 PM.`; "" where the phrase is no series."""
    series = series_of(phrase)
    if series is None:
        return ""
    table = "single_units" if series.count == 1 else "units"
    parts = [words.name(table, series.unit.value).format(n=series.count)]
    if series.clocks:
        parts.append(f" {words.say('and')} ".join(_clock(words, c) for c in series.clocks))
    if series.condition:
        parts.append(words.name("conditions", series.condition))
    return words.say("how_often", often=", ".join(parts))


def _clock(words: Interface, clock: Clock) -> str:
    if clock.at is None:
        return words.name("parts", clock.part, clock.part)
    return words.say("at_time", time=words.clock(clock.at))
