"""From which day an unanswered proposal is a gap."""

from __future__ import annotations

from datetime import date, timedelta

from waykeeper.findings import WaykeeperError
from waykeeper.medicines.model import MedicineRow
from waykeeper.timing import WorkingCalendar, working_days_before

DAYS_BEFORE_SURGERY = 14
WORKING_DAYS_BEFORE_LAST_DOSE = 3
_WITHOUT_CALENDAR = 7  # calendar days that cover 3 working days of any week where the calendar ends


def due_day(row: MedicineRow, surgery: date, calendar: WorkingCalendar) -> date | None:
    """The earlier of surgery - 14 days and 3 working days before the last-dose day; None where nothing waits."""
    if row.decision == "already stopped" and not row.question:
        return None
    latest = surgery - timedelta(DAYS_BEFORE_SURGERY)
    last = row.last_dose
    if row.longest_days is not None:
        longest = surgery - timedelta(row.longest_days + 1)
        last = min(last, longest) if last else longest
    return latest if last is None else min(latest, _before(last, calendar))


def _before(last: date, calendar: WorkingCalendar) -> date:
    try:
        return working_days_before(last, WORKING_DAYS_BEFORE_LAST_DOSE, calendar)
    except WaykeeperError:
        return last - timedelta(_WITHOUT_CALENDAR)
