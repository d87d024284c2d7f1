"""The occurrences of a series: lazily, in order, counted from its start and never chained."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, time
from itertools import count, islice

from waykeeper.findings import Finding
from waykeeper.timing.arithmetic import add_calendar, add_days, add_elapsed, add_months, elapsed_minutes
from waykeeper.timing.model import Moment, Window, WorkingCalendar
from waykeeper.timing.phrases import Unit
from waykeeper.timing.wall import Reading, read_wall

_MONTHS = {Unit.MONTH: 1, Unit.YEAR: 12}


@dataclass(frozen=True, slots=True)
class Occurrences:
    """What a series gives: its window, its step, and the moments when asked for.

    Iterating gives each occurrence in order: at its clocks; for minutes and hours counted from a start with
    a time, each of them. Otherwise the times of day are not ours to fix (`as_needed`, `while_awake`, days
    without clocks, hours from a day without a time) and it gives each day of the series once, as a whole day.

    origin, lead  months and years count from `origin`, `lead` months after which the window starts, so that
                  a clipped start does not clip what follows
    not_before, not_after
                  the event of a `within` span: `every day in the evening within 5 days before surgery` has no
                  evening after surgery, where its time is known
    """

    window: Window
    step: int
    unit: Unit
    calendar: WorkingCalendar
    clocks: tuple[time, ...] = ()
    as_needed: bool = False
    while_awake: bool = False
    origin: date | None = None
    lead: int = 0
    not_before: Moment | None = None
    not_after: Moment | None = None

    @property
    def timed(self) -> bool:
        """True where each occurrence has a time of day."""
        if self.as_needed or self.while_awake:
            return False
        return self.window.start.clock is not None if self.unit.elapsed else bool(self.clocks)

    def first(self, limit: int) -> tuple[Moment, ...]:
        """The first `limit` occurrences, fewer where there are no more."""
        return tuple(islice(self, limit))

    def days(self) -> tuple[date, ...]:
        """Each day with an occurrence, once, in order."""
        return tuple(dict.fromkeys(m.day for m in self))

    def __iter__(self) -> Iterator[Moment]:
        """Each occurrence in order, both ends of the window included."""
        if self.unit.elapsed:
            yield from self._elapsed() if self.timed else self._every_day()
            return
        for day in self._calendar_days():
            yield from self._on(day)

    def _every_day(self) -> Iterator[Moment]:
        day = self.window.start.day
        while day <= self.window.end.day:
            yield Moment(day)
            day = add_days(day, 1)

    def _elapsed(self) -> Iterator[Moment]:
        minutes = elapsed_minutes(self.step, self.unit)
        for k in count():
            moment = add_elapsed(self.window.start, k * minutes)
            if not in_order(moment, self.window.end):
                return
            yield moment

    def _calendar_days(self) -> Iterator[date]:
        for k in count():
            day = self._nth(k)
            if day > self.window.end.day:
                return
            if day >= self.window.start.day:
                yield day

    def _nth(self, k: int) -> date:
        if self.unit in _MONTHS:
            return add_months(self.origin or self.window.start.day, self.lead + k * self.step * _MONTHS[self.unit])
        return add_calendar(self.window.start.day, k * self.step, self.unit, self.calendar)

    def findings(self) -> Iterator[Finding]:
        """A finding for each clock that does not exist on its day."""
        if self.unit.elapsed or not self.timed:
            return
        for day in self._calendar_days():
            yield from (r.finding for r in self._readings(day) if r.finding is not None)

    def _on(self, day: date) -> Iterator[Moment]:
        """The occurrences of one day: at its clocks, else the whole day."""
        if not self.timed:
            yield Moment(day)
            return
        yield from (r.moment for r in self._readings(day))

    def _readings(self, day: date) -> Iterator[Reading]:
        for clock in self.clocks:
            reading = read_wall(day, clock, self.calendar.zone, "scheduled")
            if self._inside(reading.moment):
                yield reading

    def _inside(self, moment: Moment) -> bool:
        earliest = [m for m in (self.window.start, self.not_before) if m is not None]
        latest = [m for m in (self.window.end, self.not_after) if m is not None]
        return all(in_order(m, moment) for m in earliest) and all(in_order(moment, m) for m in latest)


def in_order(one: Moment, other: Moment) -> bool:
    """True if `one` is not after `other`; by days where either is a whole day, else by instant."""
    if one.clock is None or other.clock is None:
        return one.day <= other.day
    return one.utc() <= other.utc()
