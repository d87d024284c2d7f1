"""From a case to days: missed days, clock limits, weekly days and cycle windows, with the arithmetic in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, time, timedelta

from waykeeper.counting import counted
from waykeeper.medicines.model import Case
from waykeeper.medicines.times_of_day import MIDNIGHT, NOON, Usual, contradicted, evening_only, usual_times
from waykeeper.quickly_made import quickly_made
from waykeeper.record.model import MedicineEntry
from waykeeper.timing import Moment, add_elapsed, add_months, earlier_reading, read_wall

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WEEK = 7


@quickly_made
@dataclass(frozen=True, slots=True)
class Interval:
    """The days of one proposal. `missed_days` None: nothing is missed, or no date can be computed."""

    missed_days: int | None = None
    last_dose: date | None = None
    first_missed: date | None = None
    limit: Moment | None = None
    window: tuple[date, date] | None = None
    cycle: bool = False  # counted from the dose really given: tested in cycles.py
    arithmetic: tuple[str, ...] = ()

    @property
    def strictness(self) -> tuple[date, str]:
        """Sorts the longer interval first: the earlier last dose, then the earlier clock limit."""
        return (self.last_dose or date.max, str(self.limit or "~"))


def day_name(day: date) -> str:
    """`Thu 2026-03-12`, in English wherever the process runs."""
    return f"{_DAYS[day.weekday()]} {day.isoformat()}"


def clock_name(moment: Moment) -> str:
    """`Tue 2026-03-17 07:30`."""
    return f"{day_name(moment.day)} {moment.clock:%H:%M}" if moment.clock else day_name(moment.day)


def interval(case: Case, surgery: Moment, entry: MedicineEntry) -> Interval:
    """The days that a case gives for a surgery and a row."""
    if case.missed_days is not None:
        return missed(case.missed_days, surgery.day, entry)
    if case.hours is not None:
        return hours_before(case.hours, surgery, entry)
    if case.cycle_days is not None:
        low, high = case.cycle_days
        return _window(low, high, surgery.day)
    if case.cycle_months is not None:
        return _months(case.cycle_months, surgery.day)
    if case.decision == "continue" and entry.period_days == WEEK and entry.weekday is not None:
        usual = on_or_before(surgery.day - timedelta(1), entry.weekday)
        return Interval(last_dose=usual, arithmetic=(f"continues every {_DAYS[entry.weekday]}: {day_name(usual)} too",))
    return Interval()


def missed(days: int, surgery: date, entry: MedicineEntry) -> Interval:
    """No dose on day -days .. -1 nor on day 0; a medicine of every so many weeks keeps its weekday.

    Of more than one week nobody knows here in which of them it is due: the last dose lies on that day or weeks before.
    """
    last = surgery - timedelta(days + 1)
    lines = [f"N = {days}: last dose on day -({days} + 1) = {day_name(last)}"]
    if entry.period_days and entry.period_days % WEEK == 0 and entry.weekday is not None:
        usual = on_or_before(last, entry.weekday)
        gap = (surgery - usual).days
        every = _DAYS[entry.weekday] if entry.period_days == WEEK else counted(entry.period_days, "day")
        lines.append(f"taken every {every}: last {day_name(usual)}, {counted(gap, 'day')} before surgery")
        return Interval(days, usual, usual + timedelta(WEEK), arithmetic=tuple(lines))
    return Interval(days, last, last + timedelta(1), arithmetic=tuple(lines))


def on_or_before(day: date, weekday: int) -> date:
    """The last such weekday on or before a day."""
    return day - timedelta((day.weekday() - weekday) % WEEK)


def hours_before(hours: int, surgery: Moment, entry: MedicineEntry) -> Interval:
    """Last dose so many elapsed hours before the start; whole days where the start time is not known.

    The usual clock times of the row, where it says them, choose the last dose that is early enough.
    """
    if surgery.whole_day:
        days = math.ceil(hours / 24)
        got = missed(days, surgery.day, entry)
        note = f"{hours} h, start time not known: in whole days {days}"
        return Interval(days, got.last_dose, got.first_missed, arithmetic=(note, *got.arithmetic))
    exact = add_elapsed(earlier_reading(surgery), -60 * hours)
    limit = earlier_reading(exact)
    lines = [f"{hours} h before {clock_name(surgery)} = {limit}"]
    last = _last_usual(limit, entry)
    if last != limit.day:
        lines.append(f"the usual dose on {day_name(limit.day)} would be too late: last {day_name(last)}")
    if limit.day == surgery.day:
        return Interval(limit=limit, arithmetic=tuple(lines))
    days = (surgery.day - last).days - 1
    return Interval(days, last, last + timedelta(1), limit, arithmetic=tuple(lines))


def _last_usual(limit: Moment, entry: MedicineEntry) -> date:
    """The day of the last usual dose at or before the limit; the limit's day where no time is known."""
    before = limit.day - timedelta(1)
    usual = usual_times(entry)
    if not usual:
        late = evening_only(entry) and limit.clock is not None and limit.clock <= NOON
        return before if late else limit.day
    open_morning = any(u.morning and _by(u.first, limit) for u in usual)
    return limit.day if open_morning or any(_surely_by(u, limit) for u in usual) else before


def hour_unknown(limit: Moment, entry: MedicineEntry) -> bool:
    """True where the order does not say whether its dose on the limit's day comes before the limit."""
    usual = usual_times(entry)
    if not usual:
        return _last_usual(limit, entry) == limit.day
    sure = any(_surely_by(u, limit) for u in usual) or not any(_by(u.first, limit) for u in usual)
    return not sure or contradicted(entry)


def _surely_by(usual: Usual, limit: Moment) -> bool:
    """True if a dose is not after the limit at whichever time; of midnight nobody knows whose day's end it is."""
    return usual.last != MIDNIGHT and _by(usual.last, limit)


def _by(clock: time, limit: Moment) -> bool:
    """True if a time of the limit's day is not after the limit."""
    return not_after(read_wall(limit.day, clock, limit.zone, "recorded").moment, limit)


def not_after(one: Moment, other: Moment) -> bool:
    """True if the first instant is not later. In UTC: datetimes of one zone compare by the wall clock alone."""
    return one.utc() <= other.utc()


def _window(low: int, high: int, surgery: date) -> Interval:
    opens, closes = surgery - timedelta(high), surgery - timedelta(low)
    line = f"last dose {low} to {high} days before surgery: {day_name(opens)} to {day_name(closes)}"
    return Interval(low - 1, closes, closes + timedelta(1), window=(opens, closes), cycle=True, arithmetic=(line,))


def _months(months: int, surgery: date) -> Interval:
    """More than so many full months: the day after them is the first that counts (months clip to the month's end)."""
    last = add_months(surgery, -months)
    while add_months(last, months) >= surgery:
        last -= timedelta(1)
    ends = add_months(last, months)
    line = (
        f"more than {counted(months, 'full month')}: {day_name(last)} + {counted(months, 'month')} = {day_name(ends)}"
    )
    days = (surgery - last).days - 1
    return Interval(days, last, last + timedelta(1), cycle=True, arithmetic=(line,))
