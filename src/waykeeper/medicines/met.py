"""Can the hold still be met? A dose recorded inside it says no."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

from waykeeper.counting import counted
from waykeeper.medicines.intervals import clock_name, day_name, not_after
from waykeeper.medicines.model import MedicineRow
from waykeeper.record import place_of
from waykeeper.record.model import MedicineEntry
from waykeeper.timing import Moment, later_reading

NO_LONGEST = 28  # days, of a row that asks and names no longest pause; common practice, no source


@dataclass(frozen=True, slots=True)
class NotMet:
    """A hold that a recorded dose breaks: what is needed, what is still possible, which surgery day would do."""

    needed_days: int
    possible_days: int
    last_taken: date
    earliest_surgery: date


def not_met(missed_days: int, surgery: date, last_taken: date) -> NotMet | None:
    """None where the last dose really taken leaves the missed days whole."""
    possible = (surgery - last_taken).days - 1
    if possible >= missed_days:
        return None
    return NotMet(missed_days, max(possible, 0), last_taken, last_taken + timedelta(missed_days + 1))


def with_last_taken(row: MedicineRow, entry: MedicineEntry, surgery: Moment) -> MedicineRow:
    """Lay the recorded last dose beside the proposal; cycles have their own test."""
    if entry.last_taken is None:
        return row
    if row.missed_days is None:  # a limit on the day of surgery has no missed days
        by_clock = row.last_limit is not None and not entry.last_taken.whole_day
        return _late_by_the_clock(row, entry.last_taken) if by_clock else row
    broken = not_met(row.missed_days, surgery.day, entry.last_taken.day)
    if broken is None and row.last_limit is not None and not entry.last_taken.whole_day:
        return _late_by_the_clock(row, entry.last_taken)
    if broken is None:
        return row
    line = (
        f"last taken {day_name(broken.last_taken)}: {broken.possible_days} of"
        f" {counted(broken.needed_days, 'day')} possible,"
        f" earliest surgery by the rule {day_name(broken.earliest_surgery)}"
    )
    question = "the hold cannot be met, a dose was taken inside it: prescriber and surgeon decide today"
    return replace(
        row,
        decision="ask",
        question="; ".join(dict.fromkeys(q for q in (question, row.question) if q)),
        alternatives=(*row.alternatives, f"earliest surgery by the rule: {day_name(broken.earliest_surgery)}"),
        arithmetic=(*row.arithmetic, line),
    )


def _late_by_the_clock(row: MedicineRow, taken: Moment) -> MedicineRow:
    """An hours rule with a recorded clock time: later than the limit is too late, the later reading counts."""
    assert row.last_limit is not None
    read = later_reading(taken if taken.zone else replace(taken, zone=row.last_limit.zone))
    if not_after(read, row.last_limit):
        return row
    question = "the last dose was taken after the limit: prescriber and anaesthesia decide"
    line = f"taken {read}, limit {row.last_limit}"
    return replace(
        row,
        decision="ask",
        question="; ".join(q for q in (question, row.question) if q),
        arithmetic=(*row.arithmetic, line),
    )


def with_loose_dose(row: MedicineRow, entry: MedicineEntry, surgery: Moment, *, cycle: bool) -> MedicineRow:
    """Ask about a dose whose record names no order, where it would lie inside the hold, or be the last of a cycle.

    It counts for nothing before somebody says so: taken for this row's, it could make an open question look settled.
    """
    given = entry.loose_dose
    known = entry.last_taken
    if given is None or given.day > surgery.day or (known is not None and place_of(known) >= place_of(given)):
        return row
    inside = not cycle and _inside(row, entry, given, surgery)
    if not cycle and not inside and not _within_reach(row, given, surgery):
        return row
    where = " inside the hold," if inside else ""
    asks = f"a dose was given on {clock_name(given)},{where} and its record names no order: was it of this one?"
    return replace(row, question="; ".join(q for q in (asks, row.question) if q))


def _inside(row: MedicineRow, entry: MedicineEntry, given: Moment, surgery: Moment) -> bool:
    """True for a dose in the days that are missed, or later than a clock limit; without an hour it may be later."""
    if with_last_taken(row, replace(entry, last_taken=given), surgery) is not row:
        return True
    return row.last_limit is not None and given.whole_day and given.day >= row.last_limit.day


def _within_reach(row: MedicineRow, given: Moment, surgery: Moment) -> bool:
    """True where nobody has set the days of a pause yet, and the dose may lie inside the longest that there is."""
    if row.decision != "ask" or row.missed_days is not None or row.last_limit is not None:
        return False
    longest = NO_LONGEST if row.longest_days is None else row.longest_days
    return (surgery.day - given.day).days <= longest
