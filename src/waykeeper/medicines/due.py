"""From which day an unanswered proposal is a gap."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

from waykeeper.findings import WaykeeperError
from waykeeper.medicines.model import MedicineRow
from waykeeper.timing import WorkingCalendar, working_days_before

DAYS_BEFORE_SURGERY = 14
WORKING_DAYS_BEFORE_LAST_DOSE = 3
_WITHOUT_CALENDAR = 7  # calendar days that cover 3 working days of any week where the calendar ends

DaysBefore = Callable[[date, int], date]


def due_day(row: MedicineRow, surgery: date, calendar: WorkingCalendar) -> date | None:
    """The first day on which an unanswered row is a gap; None where nothing waits."""
    if row.decision == "already stopped" and not row.question:
        return None
    return first_gap_day(row.last_dose or longest_last_dose(row, surgery), surgery, days_of(calendar))


def first_gap_day(last_dose: date | None, surgery: date | None, days_before: DaysBefore) -> date | None:
    """The earlier of surgery - 14 days and 3 working days before the last-dose day; None where neither is known.

    days_before   the working day so many before another
    """
    days = [] if surgery is None else [surgery - timedelta(DAYS_BEFORE_SURGERY)]
    days += [] if last_dose is None else [days_before(last_dose, WORKING_DAYS_BEFORE_LAST_DOSE)]
    return min(days, default=None)


def longest_last_dose(row: MedicineRow, surgery: date) -> date | None:
    """The last-dose day of the longest plausible hold, for a row that asks; None where it names none."""
    return None if row.longest_days is None else surgery - timedelta(row.longest_days + 1)


def days_of(calendar: WorkingCalendar) -> DaysBefore:
    """The working days of a calendar; a week where it ends, which is never too late."""

    def before(day: date, count: int) -> date:
        try:
            return working_days_before(day, count, calendar)
        except WaykeeperError:
            return day - timedelta(_WITHOUT_CALENDAR)

    return before
