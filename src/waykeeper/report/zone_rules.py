"""A zone's clock changes as VTIMEZONE: each onset in the local time that was in force before it (RFC 5545 3.6.5)."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from icalendar import Timezone, TimezoneDaylight, TimezoneStandard


def vtimezone(zone: str, first: date, last: date) -> Timezone:
    """The rules of an IANA zone from `first` to `last`, written out change by change. Raises ZoneInfoNotFoundError.

    Written here because an onset one hour late (as some generators write it in spring) puts an early-morning event
    of that day one hour wrong in programs that trust the file.
    """
    known = ZoneInfo(zone)
    start = datetime.combine(first, time(0), UTC)
    made = Timezone()
    made.add("tzid", zone)
    made.add_component(_onset(known, start, start))
    for change in _changes(known, start, datetime.combine(last, time(0), UTC)):
        made.add_component(_onset(known, change - timedelta(seconds=1), change))
    return made


def _changes(zone: ZoneInfo, start: datetime, end: datetime) -> list[datetime]:
    """The instants between two at which the offset changes, to the second."""
    found: list[datetime] = []
    low, day = start, timedelta(days=1)
    while low < end:
        high = low + day
        if _offset(zone, low) != _offset(zone, high):
            found.append(_bisect(zone, low, high))
        low = high
    return found


def _bisect(zone: ZoneInfo, low: datetime, high: datetime) -> datetime:
    before = _offset(zone, low)
    while high - low > timedelta(seconds=1):
        middle = low + (high - low) // 2
        low, high = (middle, high) if _offset(zone, middle) == before else (low, middle)
    return high.replace(microsecond=0)


def _offset(zone: ZoneInfo, instant: datetime) -> timedelta:
    return instant.astimezone(zone).utcoffset() or timedelta(0)


def _onset(zone: ZoneInfo, before: datetime, instant: datetime) -> TimezoneStandard | TimezoneDaylight:
    """One observance, from an instant on. A zone whose summer is its standard time (Dublin) comes out as such."""
    local = instant.astimezone(zone)
    part = TimezoneDaylight() if local.dst() else TimezoneStandard()
    part.add("dtstart", (instant + _offset(zone, before)).replace(tzinfo=None))
    part.add("tzoffsetfrom", _offset(zone, before))
    part.add("tzoffsetto", _offset(zone, instant))
    part.add("tzname", local.tzname() or "")
    return part
