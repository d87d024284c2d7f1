"""Proof that a window contains its target: always, sometimes (with a counterexample), or never.

Both count from one event, so the only unknown is the event's date. What the answer depends on decides which
dates have to be tried, and all of those are tried:

- days and weeks only: one date, for the distance is the same from every date;
- months and years: the distance from a day 1 to 28 of a month is a sum of month lengths, the same for all of
  them; days 29 to 31 clip. So days 1, 29, 30, 31 of each month, in each phase of the leap cycle, and in the
  years around 2100, which is no leap year: every pattern of the 400-year cycle;
- working days and rolling: every day of the years that the working calendar covers.

Minutes and hours move the day by an amount that depends on the time of the event and on a change of the
clock, so they give a range of days; "always" means for all of the range.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache, lru_cache
from itertools import pairwise
from math import ceil, inf
from typing import Literal, TypeAlias

from waykeeper.findings import Finding, Position, finding
from waykeeper.timing.arithmetic import add_calendar, elapsed_minutes
from waykeeper.timing.errors import TimingError
from waykeeper.timing.model import Moment, Window, WorkingCalendar
from waykeeper.timing.phrases import (
    Around,
    At,
    Between,
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
    events,
    is_span,
    units,
)
from waykeeper.timing.resolve import on_its_side
from waykeeper.timing.working import Policy, roll

Verdict = Literal["always", "sometimes", "never"]

_ANY_CALENDAR = WorkingCalendar("UTC")  # for units that need none
_TARGET = Event("target", "target")
_MONTHLY = frozenset({Unit.MONTH, Unit.YEAR})
# At most this many units make a month (28 days; working days of a clinic that is open one day a week).
_PER_MONTH: dict[Unit, float] = {
    Unit.MINUTE: 28 * 1440,
    Unit.HOUR: 28 * 24,
    Unit.DAY: 28,
    Unit.WEEK: 4,
    Unit.MONTH: 1,
    Unit.YEAR: 1 / 12,
    Unit.WORKING_DAY: 4,
}
_DAY = 24 * 60
_CLOCK_CHANGE = 60  # minutes; the largest change of a clock in today's zones
_REGULAR = range(2025, 2029)  # one of each phase of the leap cycle
_CENTURY = 2100  # the nearest year that is divisible by 4 and no leap year
_CODES: dict[Verdict, str] = {"sometimes": "WKT302", "never": "WKT303"}

Reach: TypeAlias = tuple[float, float]  # earliest and latest ordinal day of a point


@dataclass(frozen=True, slots=True)
class Containment:
    """What was proved. `example` is a date of the event on which the target is outside, `details` says so.

    window   the first and last day of the window on that date, where it has both; of a target that is rolled, those on
             its side of the event
    """

    verdict: Verdict
    example: date | None = None
    details: str = ""
    window: tuple[date, date] | None = None

    def finding(self, position: Position | None = None) -> Finding | None:
        """WKT302 or WKT303; None where the window always contains its target."""
        code = _CODES.get(self.verdict)
        return finding(code, self.details, position) if code else None


def contains(
    target: Phrase, window: Phrase, *, policy: Policy = "", calendar: WorkingCalendar | None = None
) -> Containment:
    """Whether the inclusive days of `window` contain `target`, and its rolled day where `policy` rolls it.

    Rolling and working days need `calendar`; without it rolling is left out, and working days are unproved,
    which is "sometimes". So are two phrases that count from different events. Raises ValueError where
    `target` is no point or `window` no span.
    """
    if is_span(target) or isinstance(target, Series) or not is_span(window):
        raise ValueError("a target is a point and a window is a span")
    weekly: tuple[frozenset[int], tuple[date, ...], tuple[int, ...]] | None = None
    if calendar is not None:
        weekly = (calendar.weekdays, tuple(calendar.closed), calendar.years)
    return _proved(target, window, policy, weekly)


@lru_cache(maxsize=1024)
def _proved(
    target: Point, window: Span, policy: Policy, weekly: tuple[frozenset[int], tuple[date, ...], tuple[int, ...]] | None
) -> Containment:
    calendar = None
    if weekly is not None:
        calendar = WorkingCalendar("UTC", weekly[0], dict.fromkeys(weekly[1], ""), years=weekly[2])
    used = events(window) - {_TARGET} or {_TARGET}
    if used == {_TARGET}:
        target = At(_TARGET)  # whatever the target counts from, the window counts from the target
    elif events(target) != used or len(used) > 1:
        return Containment("sometimes", None, "target and window count from different events")
    found = units(target) | units(window)
    if Unit.WORKING_DAY in found and calendar is None:
        return Containment("sometimes", None, "working days need the clinic's calendar to be proved")
    if found and found <= {Unit.MINUTE, Unit.HOUR} and not _has_clock(window):
        return _by_minutes(target, window)
    plain = _Prover(target, window, "", calendar).prove()
    if plain.verdict != "always" or calendar is None or policy in ("", "none"):
        return plain
    rolled = _Prover(target, window, policy, calendar)
    return rolled.prove() if rolled.may_leave() else plain


@dataclass(frozen=True, slots=True)
class _Prover:
    target: Point
    window: Span
    policy: Policy
    calendar: WorkingCalendar | None

    def prove(self) -> Containment:
        inside = outside = False
        example: date | None = None
        for day in self.dates():
            try:
                certain, possible = self.on(day)
            except TimingError:
                continue  # beyond the working calendar: nothing can be said of this date
            inside = inside or possible
            if not certain:
                outside, example = True, example or day
            if inside and outside:
                break
        if inside and not outside:
            return Containment("always")
        verdict: Verdict = "never" if outside and not inside else "sometimes"
        return Containment(verdict, example, self.say(example), self.days(example))

    def on(self, day: date) -> tuple[bool, bool]:
        """Whether the target is certainly, and possibly, inside when the event is on this day."""
        target = self.reach(self.target, day)
        start, end = self.bounds(day)
        certain = start[1] <= target[0] and target[1] <= end[0]
        possible = start[0] <= target[1] and target[0] <= end[1]
        if certain and self.policy:
            certain = self.rolled_inside(day, target)
        return certain, possible

    def rolled_inside(self, event: date, target: Reach) -> bool:
        assert self.calendar is not None  # rolling is proved only with one
        for ordinal in {int(target[0]), int(target[1])}:
            window = self.allowed(event, ordinal)
            try:
                day = roll(date.fromordinal(ordinal), self.policy, window, self.calendar)
            except TimingError as error:
                if error.code == "WKT204":
                    raise
                return False
            if not window.holds(day):
                return False
        return True

    def allowed(self, event: date, target: float) -> Window:
        """The days that are certainly in the window; of a target that is rolled, those on its side of the event."""
        start, end = self.bounds(event)
        first = date.min if start[1] == -inf else date.fromordinal(int(start[1]))
        window = Window(Moment(first), Moment(date.fromordinal(int(end[0]))))
        if not self.policy:
            return window
        known = {name: Moment(event) for name in event_names(self.target)}
        return on_its_side(self.target, date.fromordinal(int(target)), window, known, _ANY_CALENDAR)

    def bounds(self, day: date) -> tuple[Reach, Reach]:
        """The reach of the window's two ends. A clock on an end makes that day only partly inside."""
        match self.window:
            case Until(end=end):
                return (-inf, -inf), _clipped(self.reach(end, day), end, -1)
            case FromTo(start=start, end=end):
                return _clipped(self.reach(start, day), start, 1), _clipped(self.reach(end, day), end, -1)
            case Around(count=count, unit=unit, event=event):
                return self.shift(event, -count, unit, day), self.shift(event, count, unit, day)
            case Within(count=far, unit=unit, side=side, event=event):
                near = 0
            case Between(near=near, far=far, unit=unit, side=side, event=event):
                pass
        first, last = (near, far) if side == "after" else (-far, -near)
        return self.shift(event, first, unit, day), self.shift(event, last, unit, day)

    def reach(self, point: Point, day: date) -> Reach:
        match point:
            case Pick(which=which, first=one, second=other):
                choose = max if which == "later" else min
                first, second = self.reach(one, day), self.reach(other, day)
                return choose(first[0], second[0]), choose(first[1], second[1])
            case Offset(unit=unit, event=event):
                return self.shift(event, point.signed, unit, day)
            case At(event=event) | DayOf(event=event):
                return self.event(event, day)

    def event(self, event: Event, day: date) -> Reach:
        """The event itself is on the day tried; `target` in a window is wherever the target is."""
        if event == _TARGET and self.target != At(_TARGET):
            return self.reach(self.target, day)
        return day.toordinal(), day.toordinal()

    def shift(self, event: Event, count: int, unit: Unit, day: date) -> Reach:
        low, high = self.event(event, day)
        if count == 0:
            return low, high
        if unit.elapsed:
            minutes = elapsed_minutes(count, unit)
            return (
                low + (minutes - _CLOCK_CHANGE) // _DAY,
                high + (_DAY - 1 + minutes + _CLOCK_CHANGE) // _DAY,
            )
        if unit is Unit.DAY or unit is Unit.WEEK:
            days = count if unit is Unit.DAY else 7 * count
            return low + days, high + days
        first = self.calendar_day(low, count, unit)
        return first, first if low == high else self.calendar_day(high, count, unit)

    def calendar_day(self, ordinal: float, count: int, unit: Unit) -> int:
        calendar = self.calendar or _ANY_CALENDAR
        return add_calendar(date.fromordinal(int(ordinal)), count, unit, calendar).toordinal()

    def dates(self) -> Iterator[date]:
        """The dates of the event that have to be tried; the module's head says why these."""
        found = units(self.target) | units(self.window)
        if self.calendar is not None and (Unit.WORKING_DAY in found or self.policy):
            return _every_day(_covered(self.calendar))
        if found & _MONTHLY:
            return _representatives(_years(self.target, self.window))
        return iter([date(2026, 3, 18)])

    def may_leave(self) -> bool:
        """False where rolling can't leave the window: it is longer than the longest closure."""
        if self.calendar is None or self.policy not in ("in window", "modified next"):
            return True
        if Unit.WORKING_DAY in units(self.window):
            return True
        tried = _representatives(_years(self.target, self.window))
        return min(map(self.room, tried)) < _longest_closure(self.calendar)

    def room(self, event: date) -> float:
        """How many days beside its target a window leaves to roll to, at the least."""
        windows = (self.allowed(event, target) for target in self.reach(self.target, event))
        return min((window.end.day - window.start.day).days for window in windows)

    def days(self, example: date | None) -> tuple[date, date] | None:
        """The window's first and last day on a date of the event."""
        if example is None:
            return None
        window = self.allowed(example, self.reach(self.target, example)[0])
        return None if window.open_start else (window.start.day, window.end.day)

    def say(self, example: date | None) -> str:
        """The counterexample in words."""
        if example is None:
            return "nothing could be proved within the years that the working calendar covers"
        event = next(iter(events(self.target)))
        target = date.fromordinal(int(self.reach(self.target, example)[0]))
        said = f"with {event} on {example.isoformat()} the target {target.isoformat()}"
        if self.policy:  # then it lies inside before it is rolled
            said += ", rolled to an open day,"
        return f"{said} lies outside {self.allowed(example, target.toordinal())}"


def _clipped(reach: Reach, point: Point, inward: int) -> Reach:
    if not _has_clock(point):
        return reach
    return (reach[0] + min(0, inward), reach[1] + max(0, inward))


def _has_clock(phrase: Phrase) -> bool:
    match phrase:
        case Offset(clock=clock) | DayOf(clock=clock):
            return clock is not None
        case Pick(first=one, second=other) | FromTo(start=one, end=other):
            return _has_clock(one) or _has_clock(other)
        case Until(end=end):
            return _has_clock(end)
        case _:
            return False


def _by_minutes(target: Point, window: Span) -> Containment:
    """Minutes and hours only: the distances in minutes decide, whatever the event's time."""
    at = _minutes(target)
    match window:
        case FromTo(start=start, end=end):
            first, last = _minutes(start), _minutes(end)
        case Until(end=end):
            first, last = -inf, _minutes(end)
        case Around(count=count, unit=unit):
            first, last = -elapsed_minutes(count, unit), elapsed_minutes(count, unit)
        case Between(near=near, far=far, unit=unit, side=side):
            ends = (elapsed_minutes(near, unit), elapsed_minutes(far, unit))
            first, last = ends if side == "after" else (-ends[1], -ends[0])
        case Within(count=count, unit=unit, side=side):
            far_end = elapsed_minutes(count, unit)
            first, last = (0, far_end) if side == "after" else (-far_end, 0)
    if first <= at <= last:
        return Containment("always")
    return Containment("never", None, f"the target {str(target)!r} lies outside {str(window)!r}")


def _minutes(point: Point) -> float:
    match point:
        case Offset(unit=unit):
            return elapsed_minutes(point.signed, unit)
        case Pick(which=which, first=one, second=other):
            return (max if which == "later" else min)(_minutes(one), _minutes(other))
        case _:
            return 0


def _extent(phrase: Phrase) -> tuple[int, int]:
    """Months that the phrase reaches at most before and after its event."""
    match phrase:
        case Around(count=count, unit=unit):
            return _months(count, unit), _months(count, unit)
        case Offset(count=far, unit=unit, side=side) | Within(count=far, unit=unit, side=side):
            return _sided(_months(far, unit), side)
        case Between(far=far, unit=unit, side=side):
            return _sided(_months(far, unit), side)
        case FromTo(start=one, end=other) | Pick(first=one, second=other):
            first, second = _extent(one), _extent(other)
            return max(first[0], second[0]), max(first[1], second[1])
        case Until(end=end):
            return _extent(end)
        case _:
            return 0, 0


def _months(count: int, unit: Unit) -> int:
    """At least as many months as the count is long."""
    return ceil(count / _PER_MONTH[unit])


def _sided(months: int, side: Side) -> tuple[int, int]:
    return (months, 0) if side == "before" else (0, months)


@cache
def _years(target: Phrase, window: Phrase) -> tuple[int, ...]:
    """Years whose leap patterns, as far as the phrases reach, are all that the 400-year cycle has.

    Up to three years in a row show nothing new around 2100: three years without 29 February come in every phase.
    """
    ends = [_extent(target), _extent(window)]
    reach = [-(-sum(e[i] for e in ends) // 12) for i in (0, 1)]
    if sum(reach) < 3:
        return tuple(_REGULAR)
    if max(reach) > 60:
        return tuple(range(2000, 2400))
    return (*_REGULAR, *range(_CENTURY - reach[1] - 1, _CENTURY + reach[0] + 2))


def _representatives(years: tuple[int, ...]) -> Iterator[date]:
    for year in years:
        for month in range(1, 13):
            for day in (1, 29, 30, 31):
                try:
                    yield date(year, month, day)
                except ValueError:  # a day that the month does not have
                    continue


def _covered(calendar: WorkingCalendar) -> range:
    known = calendar.years or tuple(day.year for day in calendar.closed) or (2026, 2035)
    return range(min(known), max(known) + 1)


def _every_day(years: range) -> Iterator[date]:
    day, end = date(years.start, 1, 1), date(years.stop, 1, 1)
    while day < end:
        yield day
        day += timedelta(days=1)


def _longest_closure(calendar: WorkingCalendar) -> int:
    """The most closed days in a row, in the years that the calendar covers."""
    longest = longest_closure(calendar)
    return (longest[1] - longest[0]).days + 1 if longest else 10_000


def longest_closure(calendar: WorkingCalendar) -> tuple[date, date] | None:
    """The first and last of the most closed days in a row; None where the calendar has no two open days."""
    opened = [day for day in _every_day(_covered(calendar)) if calendar.is_open(day)]
    if len(opened) < 2:
        return None
    before, after = max(pairwise(opened), key=lambda two: two[1] - two[0])
    return before + timedelta(days=1), after - timedelta(days=1)
