"""How often a series comes, in the patient's language: from the phrase itself, never from prose."""

from __future__ import annotations

from waykeeper.report.interface import Interface
from waykeeper.timing.grammar import parse
from waykeeper.timing.phrases import Clock, Series


def series_of(phrase: str) -> Series | None:
    """The series of a phrase, or None where it is none or cannot be read (an older version's spelling)."""
    from waykeeper.timing.errors import PhraseError

    try:
        parsed = parse(phrase)
    except PhraseError:
        return None
    return parsed if isinstance(parsed, Series) else None


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
