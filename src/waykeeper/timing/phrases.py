"""The tree of a phrase. `str()` of any node prints its one canonical spelling."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from enum import StrEnum
from functools import lru_cache
from typing import Literal, TypeAlias


class Unit(StrEnum):
    """What a phrase counts in. The value is the singular word."""

    MINUTE = "minute"
    HOUR = "hour"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"
    YEAR = "year"
    WORKING_DAY = "working day"

    @property
    def elapsed(self) -> bool:
        """True for minutes and hours: elapsed time, precise to the minute. All else is calendar time."""
        return self in (Unit.MINUTE, Unit.HOUR)

    def counted(self, count: int) -> str:
        """`1 day`, `2 days`: singular only with 1."""
        return f"{count} {self.value}" if count == 1 else f"{count} {self.value}s"


Side = Literal["before", "after"]
EventKind = Literal["anchor", "target", "visit", "release", "completion"]

_PREFIX: dict[str, str] = {
    "anchor": "",
    "target": "",
    "visit": "visit ",
    "release": "release of ",
    "completion": "completion of ",
}


@dataclass(frozen=True, slots=True)
class Event:
    """What a phrase counts from. `str()` is the key under which `known` of `resolve` holds it."""

    kind: EventKind
    name: str

    def __str__(self) -> str:
        """`surgery`, `target`, `visit two-week`, `release of film-check`, `completion of class`."""
        return f"{_PREFIX[self.kind]}{self.name}"


@dataclass(frozen=True, slots=True)
class Clock:
    """A wall-clock time: fixed (`at`), or a part of the clinic's day (`part`)."""

    at: time | None = None
    part: str = ""

    def __str__(self) -> str:
        """`08:00` or `in the morning`."""
        return f"in the {self.part}" if self.at is None else f"{self.at:%H:%M}"


def _with_clock(text: str, clock: Clock | None) -> str:
    return text if clock is None else f"{text} {clock}"


@dataclass(frozen=True, slots=True)
class Offset:
    """`N unit side event [clock]`; `count` is at least 1."""

    count: int
    unit: Unit
    side: Side
    event: Event
    clock: Clock | None = None

    @property
    def signed(self) -> int:
        """The count, negative for `before`."""
        return -self.count if self.side == "before" else self.count

    def __str__(self) -> str:
        """`2 weeks after surgery in the morning`."""
        return _with_clock(f"{self.unit.counted(self.count)} {self.side} {self.event}", self.clock)


@dataclass(frozen=True, slots=True)
class DayOf:
    """`day of event [clock]`: the whole day, or a time on it."""

    event: Event
    clock: Clock | None = None

    def __str__(self) -> str:
        """`day of surgery in the morning`."""
        return _with_clock(f"day of {self.event}", self.clock)


@dataclass(frozen=True, slots=True)
class At:
    """A bare event, as precisely as its anchor is known."""

    event: Event

    def __str__(self) -> str:
        """`surgery`."""
        return str(self.event)


@dataclass(frozen=True, slots=True)
class Pick:
    """`later of` or `earlier of` two points."""

    which: Literal["later", "earlier"]
    first: Point
    second: Point

    def __str__(self) -> str:
        """`later of A and B`."""
        return f"{self.which} of {self.first} and {self.second}"


@dataclass(frozen=True, slots=True)
class FromTo:
    """`from point to point`; only where units, sides or events differ."""

    start: Point
    end: Point

    def __str__(self) -> str:
        """`from A to B`."""
        return f"from {self.start} to {self.end}"


@dataclass(frozen=True, slots=True)
class Until:
    """`until point`: no start of its own."""

    end: Point

    def __str__(self) -> str:
        """`until A`."""
        return f"until {self.end}"


@dataclass(frozen=True, slots=True)
class Between:
    """`N to N unit side event`; `near` < `far`, `near` at least 1."""

    near: int
    far: int
    unit: Unit
    side: Side
    event: Event

    def __str__(self) -> str:
        """`10 to 18 days after surgery`."""
        return f"{self.near} to {self.unit.counted(self.far)} {self.side} {self.event}"


@dataclass(frozen=True, slots=True)
class Within:
    """`within N unit side event`: from the event (included) as far as N units."""

    count: int
    unit: Unit
    side: Side
    event: Event

    def __str__(self) -> str:
        """`within 3 days after surgery`."""
        return f"within {self.unit.counted(self.count)} {self.side} {self.event}"


@dataclass(frozen=True, slots=True)
class Around:
    """`N unit either side of event`."""

    count: int
    unit: Unit
    event: Event

    def __str__(self) -> str:
        """`7 days either side of target`."""
        return f"{self.unit.counted(self.count)} either side of {self.event}"


@dataclass(frozen=True, slots=True)
class Series:
    """`every N unit ... span`, or `every day [clocks] ... span` (count 1, unit day)."""

    count: int
    unit: Unit
    span: Span
    clocks: tuple[Clock, ...] = ()
    condition: Literal["", "as needed", "while awake"] = ""

    def __str__(self) -> str:
        """`every day in the morning and in the evening within 5 days before surgery`."""
        daily = self.unit is Unit.DAY and self.count == 1
        words = ["every day" if daily else f"every {self.unit.counted(self.count)}"]
        if self.clocks:
            words.append(" and ".join(map(str, self.clocks)))
        if self.condition:
            words.append(self.condition)
        return " ".join([*words, str(self.span)])


Point: TypeAlias = Offset | DayOf | At | Pick
Span: TypeAlias = FromTo | Until | Between | Within | Around
Phrase: TypeAlias = Point | Span | Series


def events(phrase: Phrase) -> frozenset[Event]:
    """Every event that the phrase counts from, for the checks that they exist and do not go in circles."""
    match phrase:
        case Offset(event=event) | DayOf(event=event) | At(event=event):
            return frozenset({event})
        case Between(event=event) | Within(event=event) | Around(event=event):
            return frozenset({event})
        case Pick(first=one, second=other) | FromTo(start=one, end=other):
            return events(one) | events(other)
        case Until(end=end):
            return events(end)
        case Series(span=span):
            return events(span)


@lru_cache(maxsize=4096)
def offsets(point: Phrase) -> tuple[Offset, ...]:
    """What a point counts before or after an event: the sides on which it stands."""
    match point:
        case Offset():
            return (point,)
        case Pick(first=one, second=other):
            return offsets(one) + offsets(other)
        case _:
            return ()


@lru_cache(maxsize=4096)
def event_names(phrase: Phrase) -> tuple[str, ...]:
    """The events of a phrase as `known` of `resolve` names them, in order."""
    return tuple(sorted(map(str, events(phrase))))


def is_point(phrase: Phrase) -> bool:
    """True for a phrase that gives one moment."""
    return isinstance(phrase, (Offset, DayOf, At, Pick))


def is_span(phrase: Phrase) -> bool:
    """True for a phrase that gives a window."""
    return isinstance(phrase, (FromTo, Until, Between, Within, Around))


def units(phrase: Phrase) -> frozenset[Unit]:
    """Every unit that the phrase counts in; a bare event and `day of` count in none."""
    match phrase:
        case Offset(unit=unit) | Between(unit=unit) | Within(unit=unit) | Around(unit=unit):
            return frozenset({unit})
        case Pick(first=one, second=other) | FromTo(start=one, end=other):
            return units(one) | units(other)
        case Until(end=end):
            return units(end)
        case Series(unit=unit, span=span):
            return frozenset({unit}) | units(span)
        case _:
            return frozenset()


def precision(phrase: Phrase) -> Literal["day", "minute", "event"]:
    """How precise a phrase's dates are: a day, a minute, or as its event is known (a bare event)."""
    match phrase:
        case Offset(unit=unit, clock=clock):
            return "minute" if unit.elapsed or clock is not None else "day"
        case DayOf(clock=clock):
            return "day" if clock is None else "minute"
        case At(event=event):
            return "day" if event.kind == "visit" else "event"
        case Between(unit=unit) | Within(unit=unit) | Around(unit=unit):
            return "minute" if unit.elapsed else "day"
        case Pick(first=one, second=other) | FromTo(start=one, end=other):
            found = {precision(one), precision(other)}
            return "minute" if "minute" in found else "event" if "event" in found else "day"
        case Until(end=end):
            return precision(end)
        case Series(unit=unit, clocks=clocks, span=span):
            return "minute" if unit.elapsed or clocks else precision(span)
