"""Medicines given in cycles: is the last actual dose inside its window?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from waykeeper.counting import counted
from waykeeper.medicines.intervals import Interval, day_name
from waykeeper.medicines.model import Case
from waykeeper.record.model import MedicineEntry
from waykeeper.timing import add_months


@dataclass(frozen=True, slots=True)
class CycleSaid:
    """What the actual dose adds to the row."""

    question: str = ""
    notes: tuple[str, ...] = ()
    alternatives: tuple[str, ...] = ()
    arithmetic: tuple[str, ...] = ()


def actual_dose(case: Case, days: Interval, entry: MedicineEntry, surgery: date) -> CycleSaid:
    """Test the recorded last dose against the window; without one the row asks for it."""
    assert days.last_dose is not None
    if entry.last_taken is None:
        return CycleSaid("on which day was it last given? the window counts from the actual dose, not the schedule")
    given = entry.last_taken.day
    line = f"last given {day_name(given)}, {counted((surgery - given).days, 'day')} before surgery"
    if given > days.last_dose:
        earliest = earliest_surgery(case, given)
        return CycleSaid(
            "too recent for this surgery day: rheumatology and surgeon decide whether the day is moved",
            alternatives=(f"earliest surgery by the rule: {day_name(earliest)}",),
            arithmetic=(line, f"earliest surgery by the rule {day_name(earliest)}"),
        )
    if days.window is not None and given < days.window[0]:
        return CycleSaid(
            "last given before the window: was a cycle skipped, is a dose due in the window, is there a flare?",
            notes=("no extra dose is proposed",),
            arithmetic=(line,),
        )
    return CycleSaid(notes=("the last dose lies in the window: none before surgery",), arithmetic=(line,))


def earliest_surgery(case: Case, given: date) -> date:
    """The first surgery day that the rule allows after a dose."""
    if case.cycle_days is not None:
        return given + timedelta(case.cycle_days[0])
    assert case.cycle_months is not None
    return add_months(given, case.cycle_months) + timedelta(1)
