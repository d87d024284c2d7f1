"""Calendar and elapsed arithmetic on moments. Days to years are calendar time, minutes and hours elapsed time."""

from __future__ import annotations

from calendar import monthrange
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from waykeeper.counting import counted
from waykeeper.timing.errors import TimingError
from waykeeper.timing.model import Moment, WorkingCalendar
from waykeeper.timing.phrases import Unit
from waykeeper.timing.working import working_days_after, working_days_before

_MINUTES = {Unit.MINUTE: 1, Unit.HOUR: 60}


def add_months(day: date, months: int) -> date:
    """The same day number so many months on (or back, if negative), clipped to the month's last day.

    2026-08-31 + 6 months = 2027-02-28; a 29 February + 12 months = 28 February. Count from the anchor,
    never from a clipped date. Raises TimingError beyond the years 1 to 9999.
    """
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    try:
        return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))
    except (ValueError, OverflowError) as error:
        raise _beyond(day, counted(months, "month")) from error


def add_days(day: date, days: int) -> date:
    """So many calendar days on (or back). Raises TimingError beyond the years 1 to 9999."""
    try:
        return day + timedelta(days=days)
    except OverflowError as error:
        raise _beyond(day, counted(days, "day")) from error


def add_elapsed(moment: Moment, minutes: int) -> Moment:
    """So many minutes of elapsed time on (or back), through the instant, so that clock changes count.

    The answer stays in the moment's zone and keeps its own offset (`fold`). Raises TimingError beyond the
    years 1 to 9999.
    """
    try:
        instant = moment.utc() + timedelta(minutes=minutes)
        return from_instant(instant, moment.zone)
    except OverflowError as error:
        raise _beyond(moment.day, counted(minutes, "minute")) from error


def from_instant(instant: datetime, zone: str) -> Moment:
    """The wall time of an aware datetime in a zone."""
    local = instant.astimezone(ZoneInfo(zone))
    return Moment(local.date(), local.time().replace(fold=0), zone, local.fold)


def elapsed_minutes(count: int, unit: Unit) -> int:
    """Minutes in so many minutes or hours."""
    return count * _MINUTES[unit]


def add_calendar(day: date, count: int, unit: Unit, calendar: WorkingCalendar) -> date:
    """A day so many calendar units (days, weeks, months, years, working days) on; negative goes back."""
    match unit:
        case Unit.DAY:
            return add_days(day, count)
        case Unit.WEEK:
            return add_days(day, 7 * count)
        case Unit.MONTH:
            return add_months(day, count)
        case Unit.YEAR:
            return add_months(day, 12 * count)
        case Unit.WORKING_DAY:
            if count < 0:
                return working_days_before(day, -count, calendar)
            return working_days_after(day, count, calendar)
        case _:
            raise ValueError(f"{unit.value}s are elapsed time")


def _beyond(day: date, step: str) -> TimingError:
    return TimingError("WKT204", f"{step} from {day.isoformat()} lies outside the years 1 to 9999")
