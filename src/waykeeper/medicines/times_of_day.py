"""At what time of day a medicine is taken, as far as its order says so."""

from __future__ import annotations

import re
from datetime import time

from waykeeper.record.model import MedicineEntry

NOON = time(12)
# FHIR R4, event-timing: evening, night, before sleep, and before, with and after the meal of the evening.
_EVENING_CODES = frozenset({"EVE", "EVE.early", "EVE.late", "NIGHT", "HS", "PHS", "ACV", "CV", "PCV"})
_CLOCK = re.compile(
    r"(?<![\d.:])(?:(?P<half>1[0-2]|0?[1-9])(?::(?P<past>[0-5]\d))? ?(?P<m>[ap])\.?m\b"
    r"|(?P<hour>[01]?\d|2[0-3]):(?P<minute>[0-5]\d)(?!\d))"
    r"|\bat (?P<two>[01]\d|2[0-3])(?P<digits>[0-5]\d)\b(?! ?[a-z%])"  # at 0800, and no amount
)
_EVENING = re.compile(r"\b(evenings?|bed ?time|before bed|nights?|night ?time|nightly|supper|dinner|q ?hs|hs|qpm)\b")
_EARLIER = re.compile(
    r"\b(mornings?|breakfast|qam|noon|midday|lunch|afternoons?|meals|twice|thrice|b\.?i\.?d|t\.?i\.?d|q\.?i\.?d"
    r"|(?:two|three|four|[2-9]) (?:times|x)|every \d+(?: ?(?:-|to) ?\d+)? ?h(?:ou)?rs?|q ?\d+ ?h)\b"
)


def clocks(entry: MedicineEntry) -> tuple[time, ...]:
    """The clock times that the order's timing or dose text names: `20:00`, `8 pm`, `at 2000`."""
    text = " ".join((*entry.hours, entry.schedule, entry.dose_text)).casefold()
    return tuple(sorted({_time(found) for found in _CLOCK.finditer(text)}))


def _time(found: re.Match[str]) -> time:
    if found["m"]:
        return time(int(found["half"]) % 12 + (12 if found["m"] == "p" else 0), int(found["past"] or 0))
    return time(int(found["hour"] or found["two"]), int(found["minute"] or found["digits"]))


def evening_only(entry: MedicineEntry) -> bool:
    """True where an order without a clock says evening or bedtime, and no other time of day: never before noon."""
    if clocks(entry):
        return False
    if entry.hours:
        return all(code in _EVENING_CODES for code in entry.hours)
    text = f"{entry.words} {entry.schedule} {entry.dose_text}".casefold()
    oftener = entry.times_a_week is not None and entry.times_a_week > 7
    return not oftener and bool(_EVENING.search(text)) and not _EARLIER.search(text)
