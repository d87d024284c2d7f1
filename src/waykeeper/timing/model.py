"""The words in which the rest of the house speaks of time. Pure values; no clock, no I/O."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time
from enum import StrEnum
from functools import lru_cache, total_ordering

from waykeeper.quickly_made import quickly_made

FIRST_MINUTE, LAST_MINUTE = time.min, time(23, 59)  # of a day, as moments are kept: to the minute


class Standing(StrEnum):
    """How well an anchor is known."""

    GIVEN = "given"
    ASSUMED = "assumed"
    RECORDED = "recorded"
    AWAITED = "awaited"


@total_ordering
@quickly_made
@dataclass(frozen=True, slots=True)
class Moment:
    """A local date, with a wall-clock time where one is known, in an IANA zone.

    `fold` is 1 for the second reading of a repeated hour, else 0. A moment without time is a whole day; it
    sorts before every time of its day.
    """

    day: date
    clock: time | None = None
    zone: str = ""
    fold: int = 0

    def __lt__(self, other: Moment) -> bool:
        """By local day and time; a whole day before the times of its day."""
        return self._order() < other._order()

    def _order(self) -> tuple[date, bool, time, int, str]:
        clock = self.clock
        return (self.day, clock is not None, time() if clock is None else clock, self.fold, self.zone)

    @property
    def whole_day(self) -> bool:
        """True where only the day is known."""
        return self.clock is None

    def on_the_clock_of(self, zone: str) -> Moment:
        """The same day and time of day in another zone, where it may not exist; a whole day has no zone."""
        return self if self.clock is None else replace(self, zone=zone)

    def instant(self) -> datetime:
        """The aware datetime. Raises ValueError for a whole day or a moment without zone."""
        if self.clock is None or not self.zone:
            raise ValueError("a whole day, or a time without zone, is no instant")
        return _instant(self.day, self.clock, self.zone, self.fold)

    def utc(self) -> datetime:
        """The instant in UTC, for comparing: instants of one zone compare by wall clock, wrong in a repeated hour."""
        return self.instant().astimezone(UTC)

    def __str__(self) -> str:
        """ISO 8601: `2026-03-18`, or `2026-03-18T07:30:00-05:00` where zone and time are known."""
        if self.clock is None:
            return self.day.isoformat()
        if not self.zone:
            return datetime.combine(self.day, self.clock).isoformat()
        return self.instant().isoformat()


@lru_cache(maxsize=16384)  # the times of one plan are few, and are asked for again and again
def _instant(day: date, clock: time, zone: str, fold: int) -> datetime:
    from zoneinfo import ZoneInfo

    return datetime.combine(day, clock.replace(fold=fold), ZoneInfo(zone))


@dataclass(frozen=True, slots=True)
class Anchor:
    """An event that phrases count from. `moment` is None only while it is awaited."""

    name: str
    moment: Moment | None
    standing: Standing
    phrase: str = ""  # the assumption, where standing is assumed
    evidence: str = ""  # the resource that proves it, where standing is recorded
    recognise: tuple[str, ...] = ()  # what in a record proves it: "procedure system|code", "encounter_end inpatient"

    def signs(self, kind: str) -> frozenset[str]:
        """What of a kind (`procedure`, `encounter_end`) proves it: codes, as a pathway writes them."""
        return frozenset(code for said, _, code in (one.partition(" ") for one in self.recognise) if said == kind)


@quickly_made
@dataclass(frozen=True, slots=True)
class Window:
    """Inclusive days, or moments, from start to end."""

    start: Moment
    end: Moment

    def holds(self, day: date) -> bool:
        """True if the day lies inside, both ends included."""
        return self.start.day <= day <= self.end.day

    @property
    def open_start(self) -> bool:
        """True for `until ...` of which nobody said when it starts: the start is then no date to print."""
        return self.start.day == date.min

    def __str__(self) -> str:
        """`2026-03-28..2026-04-05`; nothing before the dots where the start is open."""
        return f"{'' if self.open_start else self.start}..{self.end}"


@dataclass(frozen=True, slots=True)
class Awaited:
    """No date: the event that it counts from is not known yet; `hour`: its day is, and only its time of day is not."""

    event: str
    hour: bool = False


@quickly_made
@dataclass(frozen=True, slots=True)
class Dates:
    """Every date of one planned item. A field that does not apply is None.

    target     the unrolled point that the phrase gives: windows and lateness count from it
    at         the rolled day (visits, laboratory draws), else the point itself
    window     inclusive: a visit's window, an instruction's span, a task's from..due
    book_from  visits: the first day on which somebody should book
    late_from  visits: target + grace + 1
    due_from   tasks: first day `due`; holds: first day `unanswered`
    valid_from tasks with `valid_for`: done earlier than this does not count
    earliest   restrictions: a release before this day would be early
    awaited    the event that is awaited, where there is no date
    """

    target: Moment | None = None
    at: Moment | None = None
    window: Window | None = None
    book_from: date | None = None
    late_from: date | None = None
    due_from: date | None = None
    valid_from: date | None = None
    earliest: date | None = None
    awaited: str | None = None

    @property
    def point(self) -> Moment | None:
        """The rolled day, else the point as the phrase gives it."""
        return self.at or self.target

    @property
    def first(self) -> Moment | None:
        """The start of the window, else the point."""
        return self.window.start if self.window else self.point

    @property
    def last(self) -> Moment | None:
        """The end of the window, else the point: by then a thing is to be done."""
        return self.window.end if self.window else self.point

    @property
    def last_day(self) -> date | None:
        """The day of `last`."""
        return self.last.day if self.last is not None else None


@dataclass(frozen=True, slots=True)
class WorkingCalendar:
    """Which days the clinic is open, and what the parts of its day mean.

    weekdays   open weekdays, Monday is 0
    closed     closed days with the reason (public holidays, closures); covers the years that matter
    parts      "morning", "afternoon", "evening" -> wall-clock time
    zone       IANA zone of the clinic
    hours      opening and closing time of an open day, where known
    years      the years that `closed` covers, in order; empty = nobody said
    source     where the public holidays come from, with the version of their data
    """

    zone: str
    weekdays: frozenset[int] = frozenset({0, 1, 2, 3, 4})
    closed: Mapping[date, str] = field(default_factory=dict)
    parts: Mapping[str, time] = field(default_factory=dict)
    hours: tuple[time, time] | None = None
    years: tuple[int, ...] = ()
    source: str = ""

    def is_open(self, day: date) -> bool:
        """True if the clinic works on this day."""
        return day.weekday() in self.weekdays and day not in self.closed
