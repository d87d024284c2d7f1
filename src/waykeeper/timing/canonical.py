"""One form for each meaning: `0 to 3 days after` becomes `within 3 days after`, and so on."""

from __future__ import annotations

from math import inf

from waykeeper.timing.errors import PhraseError
from waykeeper.timing.phrases import (
    Around,
    At,
    Between,
    Clock,
    DayOf,
    Event,
    FromTo,
    Offset,
    Pick,
    Point,
    Side,
    Span,
    Unit,
    Within,
)

# Shortest and longest length of one unit in days: enough to prove that a span ends before it starts.
_LENGTH: dict[Unit, tuple[float, float]] = {
    Unit.MINUTE: (1 / 1440, 1 / 1440),
    Unit.HOUR: (1 / 24, 1 / 24),
    Unit.DAY: (1, 1),
    Unit.WEEK: (7, 7),
    Unit.MONTH: (28, 31),
    Unit.YEAR: (365, 366),
    Unit.WORKING_DAY: (1, inf),
}


def _visit_in_hours(unit: Unit, event: Event, offset: int) -> None:
    if unit.elapsed and event.kind == "visit":
        raise PhraseError("WKT108", offset, f"{unit.value}s counted from {str(event)!r}, which is a day")


def point(count: int, unit: Unit, side: Side, event: Event, clock: Clock | None, *, offset: int) -> Point:
    """`0 days after surgery` is `day of surgery`; `0 hours after surgery` is `surgery`."""
    _visit_in_hours(unit, event, offset)
    if count:
        return Offset(count, unit, side, event, clock)
    return At(event) if unit.elapsed else day_of(event, clock)


def day_of(event: Event, clock: Clock | None) -> Point:
    """The day of a visit is the visit itself, for a visit is planned for a day."""
    return At(event) if event.kind == "visit" and clock is None else DayOf(event, clock)


def within(count: int, unit: Unit, side: Side, event: Event, offset: int) -> Span:
    """A span from the event itself."""
    _visit_in_hours(unit, event, offset)
    return Within(count, unit, side, event)


def around(count: int, unit: Unit, event: Event, offset: int) -> Span:
    """A span to both sides. Raises PhraseError where it would be one point."""
    _visit_in_hours(unit, event, offset)
    if count == 0:
        raise PhraseError("WKT110", offset, "0 to either side is one point", f"Write 'day of {event}'.")
    return Around(count, unit, event)


def between(first: int, second: int, unit: Unit, side: Side, event: Event, *, offset: int) -> Span:
    """The smaller number first, whichever side; from 0 it is `within`. Raises PhraseError for one point."""
    near, far = sorted((first, second))
    if near == far:
        only = point(near, unit, side, event, None, offset=offset)
        raise PhraseError("WKT110", offset, f"{first} to {second} is one point", f"Write {str(only)!r}.")
    if near == 0:
        return within(far, unit, side, event, offset)
    _visit_in_hours(unit, event, offset)
    return Between(near, far, unit, side, event)


def span(start: Point, end: Point, offset: int) -> Span:
    """`from .. to` only where units, sides or events differ. Raises PhraseError where it runs backwards."""
    if start == end:
        raise PhraseError("WKT110", offset, "the span starts and ends at one point", f"Write {str(start)!r}.")
    if _backwards(start, end):
        help_ = f"Write {str(_short(end, start))!r}."
        raise PhraseError("WKT109", offset, f"the span ends at {str(end)!r}, before it starts", help_)
    return _short(start, end)


def _short(start: Point, end: Point) -> Span:
    """The short form of a span where there is one."""
    unit = _shared_unit(start, end)
    if unit is None:
        return FromTo(start, end)
    (first, event), (last, _) = _count(start), _count(end)
    if first == -last:
        return Around(last, unit, event)
    if first < 0 < last:
        return FromTo(start, end)
    side: Side = "before" if first < 0 else "after"
    near, far = sorted((abs(first), abs(last)))
    return Between(near, far, unit, side, event) if near else Within(far, unit, side, event)


def _count(p: Point) -> tuple[int, Event]:
    """Signed count and event of a point that has them (`_shared_unit` has made sure)."""
    if isinstance(p, Offset):
        return p.signed, p.event
    if isinstance(p, (DayOf, At)):
        return 0, p.event
    raise TypeError("a pick has no count")


def _shared_unit(start: Point, end: Point) -> Unit | None:
    """The unit in which both ends count from one event without clocks, or None.

    The day of an event is 0 calendar units from it; the bare event is 0 minutes or hours from it, a bare visit
    0 calendar units.
    """
    counted = [p for p in (start, end) if isinstance(p, Offset)]
    if isinstance(start, Pick) or isinstance(end, Pick) or not counted or start.event != end.event:
        return None
    unit = counted[0].unit
    zero: type[DayOf] | type[At] = At if unit.elapsed or start.event.kind == "visit" else DayOf
    for p in (start, end):
        if isinstance(p, Offset):
            fits = p.unit is unit and p.clock is None
        else:
            fits = isinstance(p, zero) and not (isinstance(p, DayOf) and p.clock is not None)
        if not fits:
            return None
    return unit


def _extent(p: Point) -> tuple[float, float] | None:
    """Earliest and latest distance of a point from its event, in days; None where nothing is known."""
    if isinstance(p, Pick):
        return None
    if not isinstance(p, Offset):
        return (0, 0) if isinstance(p, At) else (-1, 1)
    low, high = (length * p.count for length in _LENGTH[p.unit])
    slack = 0 if p.unit.elapsed else 1  # a whole day, or a clock on it, against the event's own time
    return (-high - slack, -low + slack) if p.side == "before" else (low - slack, high + slack)


def _backwards(start: Point, end: Point) -> bool:
    """True where the span certainly ends before it starts."""
    if isinstance(start, Pick) or isinstance(end, Pick) or start.event != end.event:
        return False
    if _same_day_units(start, end):
        return _days(start) > _days(end) or (_days(start) == _days(end) and _clocks_backwards(start, end))
    first, last = _extent(start), _extent(end)
    return first is not None and last is not None and first[0] > last[1]


def _same_day_units(start: Point, end: Point) -> bool:
    """True where both ends count in one calendar unit, so that the counts alone decide."""
    found = {p.unit for p in (start, end) if isinstance(p, Offset)}
    whole = all(isinstance(p, (Offset, DayOf)) for p in (start, end))
    return whole and len(found) <= 1 and not any(u.elapsed for u in found)


def _days(p: Point) -> int:
    return _count(p)[0]


def _clocks_backwards(start: Point, end: Point) -> bool:
    """True where two fixed clocks of one day run backwards."""
    first = getattr(start, "clock", None)
    last = getattr(end, "clock", None)
    if first is None or last is None or first.at is None or last.at is None:
        return False
    return bool(first.at > last.at)
