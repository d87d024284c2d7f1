"""Phrase + what is known -> moments. No clock, no I/O: the same input gives the same dates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, time
from typing import TypeAlias

from waykeeper.findings import Finding
from waykeeper.timing.arithmetic import add_calendar, add_days, add_elapsed, elapsed_minutes, from_instant
from waykeeper.timing.errors import TimingError
from waykeeper.timing.model import Awaited, Moment, Window, WorkingCalendar
from waykeeper.timing.phrases import (
    Around,
    At,
    Between,
    Clock,
    DayOf,
    Event,
    FromTo,
    Offset,
    Phrase,
    Pick,
    Point,
    Series,
    Side,
    Span,
    Unit,
    Until,
    Within,
    event_names,
    offsets,
)
from waykeeper.timing.series import Occurrences, in_order
from waykeeper.timing.wall import earlier_reading, later_reading, read_wall

Known: TypeAlias = Mapping[str, "Moment | None"]
Resolved: TypeAlias = Moment | Window | Occurrences | Awaited

_OPEN = Moment(date.min)
_MONTHS = {Unit.MONTH: 1, Unit.YEAR: 12}
_DAY_MINUTES = 24 * 60


def resolve(
    phrase: Phrase,
    known: Known,
    calendar: WorkingCalendar,
    *,
    since: Moment | None = None,
    report: Callable[[Finding], None] | None = None,
) -> Resolved:
    """The date or dates of a phrase: a Moment for a point, a Window for a span, Occurrences for a series.

    known   event (`str(Event)`: "surgery", "visit two-week", ...) -> its moment, None while it is awaited;
            an event that is not there is awaited too
    since   the start of an `until`; without it the window has `open_start`
    report  called with the finding where a clock does not exist on its day (of a series: ask
            `Occurrences.findings`)

    Awaited, with the event's name, where any event is awaited: never a date. Raises TimingError
    where no date can be given (hours before a day without a time, a window that ends before it starts).
    """
    for name in event_names(phrase):
        if known.get(name) is None:  # first of all: what is missing is no error, whatever else cannot be computed
            return Awaited(name)
    resolver = _Resolver(known, calendar, since, report)
    if isinstance(phrase, Series):
        return resolver.series(phrase)
    if isinstance(phrase, (Offset, DayOf, At, Pick)):
        return resolver.point(phrase)
    return resolver.span(phrase)


def on_its_side(point: Phrase, day: date, window: Window, known: Known, calendar: WorkingCalendar) -> Window:
    """The window without the days on or beyond an event that `day`, the day of `point`, lies before or after.

    A roll may choose among these alone: what is planned before surgery never lands on the day of surgery, and what is
    planned after discharge never on the day of discharge or earlier, however wide the window.
    """
    first, last = window.start, window.end
    resolver = _Resolver(known, calendar, None, None)
    for offset in offsets(point):
        event = resolver.moment(offset.event).day
        same_day = event == day and offset.unit.elapsed  # hours that end on the day of their event stay on it
        if offset.side == "after" and (event < day or same_day):
            first = max(first, Moment(day if same_day else add_days(event, 1)))
        elif offset.side == "before" and (event > day or same_day):
            last = min(last, Moment(day if same_day else add_days(event, -1)))
    return Window(first, last)


@dataclass(slots=True)
class _Resolver:
    known: Known
    calendar: WorkingCalendar
    since: Moment | None
    report: Callable[[Finding], None] | None

    def moment(self, event: Event) -> Moment:
        """The event's moment; a visit is its rolled day."""
        found = self.known.get(str(event))
        if found is None:
            raise KeyError(str(event))  # resolve has answered Awaited before it came here
        if event.kind == "visit" or found.clock is None:
            return Moment(found.day)
        if not found.zone:
            return replace(found, zone=self.calendar.zone)
        return found if found.zone == self.calendar.zone else from_instant(found.instant(), self.calendar.zone)

    def point(self, point: Point) -> Moment:
        match point:
            case Offset(unit=unit, event=event, clock=clock):
                return self.shift(event, point.signed, unit, clock)
            case DayOf(event=event, clock=clock):
                return self.on(self.moment(event).day, clock)
            case At(event=event):
                return self.moment(event)
            case Pick(which=which, first=one, second=other):
                first, second = self.point(one), self.point(other)
                return _later(first, second) if which == "later" else _earlier(first, second)

    def shift(self, event: Event, count: int, unit: Unit, clock: Clock | None = None) -> Moment:
        """So many units from an event; 0 is the event's day, or the event for minutes and hours."""
        start = self.moment(event)
        if not unit.elapsed:
            return self.on(add_calendar(start.day, count, unit, self.calendar), clock)
        if start.clock is not None:
            return add_elapsed(_counted_from(start, count, event), elapsed_minutes(count, unit))
        if count < 0:
            counted = unit.counted(-count)
            raise TimingError("WKT201", f"{counted} before {str(event)!r}, of which only the day is known")
        return Moment(add_days(start.day, -(-elapsed_minutes(count, unit) // _DAY_MINUTES)))

    def on(self, day: date, clock: Clock | None) -> Moment:
        if clock is None:
            return Moment(day)
        reading = read_wall(day, self.time_of(clock), self.calendar.zone, "scheduled")
        if reading.finding is not None and self.report is not None:
            self.report(reading.finding)
        return reading.moment

    def span(self, span: Span) -> Window:
        match span:
            case FromTo(start=start, end=end):
                return _window(self.point(start), self.point(end), span)
            case Until(end=end):
                return _window(self.since or _OPEN, self.point(end), span)
            case Between(near=near, far=far, unit=unit, side=side, event=event):
                return self.stretch(event, *_signed(near, far, side), unit)
            case Within(count=count, unit=unit, side=side, event=event):
                return self.stretch(event, *_signed(0, count, side), unit)
            case Around(count=count, unit=unit, event=event):
                return self.stretch(event, -count, count, unit)

    def stretch(self, event: Event, first: int, last: int, unit: Unit) -> Window:
        return Window(self.shift(event, first, unit), self.shift(event, last, unit))

    def series(self, series: Series) -> Occurrences:
        window = self.span(series.span)
        if window.open_start:
            raise TimingError("WKT208", f"{str(series)!r} has no start")
        origin, lead = self.origin(series)
        return Occurrences(
            window=window,
            step=series.count,
            unit=series.unit,
            calendar=self.calendar,
            clocks=tuple(sorted(self.time_of(clock) for clock in series.clocks)),
            as_needed=series.condition == "as needed",
            while_awake=series.condition == "while awake",
            origin=origin,
            lead=lead,
            not_before=self.edge(series.span, "after"),
            not_after=self.edge(series.span, "before"),
        )

    def edge(self, span: Span, side: Side) -> Moment | None:
        """The event itself, for `within`: on its day, what repeats before it does not repeat after it."""
        if isinstance(span, Within) and span.side == side:
            return self.moment(span.event)
        return None

    def time_of(self, clock: Clock) -> time:
        """The wall-clock time of a clock; parts of the day are the clinic's."""
        at = clock.at if clock.at is not None else self.calendar.parts.get(clock.part)
        if at is None:
            raise TimingError("WKT207", f"the clinic does not say when 'in the {clock.part}' is")
        return at

    def origin(self, series: Series) -> tuple[date | None, int]:
        """The event's day and the months to the start, where a series of months starts months from it."""
        if series.unit not in _MONTHS:
            return None, 0
        match series.span:
            case FromTo(start=Offset(unit=unit, event=event, clock=None) as start) if unit in _MONTHS:
                return self.moment(event).day, start.signed * _MONTHS[unit]
            case Between(near=near, far=far, unit=unit, side=side, event=event) if unit in _MONTHS:
                return self.moment(event).day, _signed(near, far, side)[0] * _MONTHS[unit]
            case Around(count=count, unit=unit, event=event) if unit in _MONTHS:
                return self.moment(event).day, -count * _MONTHS[unit]
            case Within(count=count, unit=unit, side="before", event=event) if unit in _MONTHS:
                return self.moment(event).day, -count * _MONTHS[unit]
            case _:
                return None, 0


def _counted_from(start: Moment, count: int, event: Event) -> Moment:
    """The reading to count hours from, where the event lies in a repeated hour: back from the earlier, on from
    the later, so that both directions are safe. A target is our own sum and keeps its offset.
    """
    if count == 0 or event.kind == "target":
        return start
    return earlier_reading(start) if count < 0 else later_reading(start)


def _signed(near: int, far: int, side: Side) -> tuple[int, int]:
    """Opening and closing count; before the event the larger number opens."""
    return (near, far) if side == "after" else (-far, -near)


def _window(start: Moment, end: Moment, span: Span) -> Window:
    if not in_order(start, end):
        raise TimingError("WKT203", f"{str(span)!r} starts on {start} and ends on {end}, before it starts")
    return Window(start, end)


def _later(one: Moment, other: Moment) -> Moment:
    """The later; on one day a whole day is not before any time of it."""
    if one.day == other.day and (one.clock is None or other.clock is None):
        return one if one.clock is None else other
    return other if in_order(one, other) else one


def _earlier(one: Moment, other: Moment) -> Moment:
    """The earlier; on one day a whole day is not after any time of it."""
    if one.day == other.day and (one.clock is None or other.clock is None):
        return one if one.clock is None else other
    return one if in_order(one, other) else other
