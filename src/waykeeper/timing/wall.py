"""A wall time becomes an instant once, with an explicit answer where it exists twice or not at all.

The answer is chosen by instant (earlier or later), never by a fold number: in a gap the fold works in reverse.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

from waykeeper.findings import Finding, finding
from waykeeper.timing.arithmetic import from_instant
from waykeeper.timing.model import Moment

Use = Literal["latest_allowed", "earliest_allowed", "recorded", "scheduled"]
Exists = Literal["once", "twice", "never"]


@dataclass(frozen=True, slots=True)
class Reading:
    """A wall time read for a use. `finding` is set where the time as written does not exist."""

    moment: Moment
    exists: Exists
    finding: Finding | None = None


def read_wall(day: date, clock: time, zone: str, use: Use) -> Reading:
    """Turn a local date and time into a moment with an instant.

    use  `latest_allowed`    nothing after it (fasting stop, last dose): the earlier reading
         `earliest_allowed`  nothing before it (restart, next dose): the later reading
         `recorded`          what was taken then, offset unknown: the later reading
         `scheduled`         a start or a reminder: the first reading; in a gap the time that the clock
                             shows once it has jumped (RFC 5545 3.3.5)

    A time in a gap is moved to the wall time of its instant, and a finding (WKT202) says so.
    """
    return _reading(day, clock, zone, use)


@lru_cache(maxsize=16384)  # a plan, and a caseload, read the same mornings and evenings again and again
def _reading(day: date, clock: time, zone: str, use: Use) -> Reading:
    first, second = _readings(day, clock, zone)
    exists = _exists(first, second, day, clock, zone)
    later = use in ("earliest_allowed", "recorded") or (use == "scheduled" and exists == "never")
    moment = from_instant(max(first, second) if later else min(first, second), zone)
    if exists != "never":
        return Reading(moment, exists)
    details = f"{clock:%H:%M} does not exist on {day.isoformat()} in {zone}; read as {moment}"
    return Reading(moment, exists, finding("WKT202", details))


def is_zone(name: str) -> bool:
    """True for a time zone of the IANA data."""
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # a path, a folder, or no such zone
        return False
    return bool(name)


def earlier_reading(moment: Moment) -> Moment:
    """The earlier of the instants that a wall time may mean: from it look-back limits are counted."""
    return _other(moment, "latest_allowed")


def later_reading(moment: Moment) -> Moment:
    """The later of the instants that a wall time may mean: from it look-forward limits are counted."""
    return _other(moment, "earliest_allowed")


def _other(moment: Moment, use: Use) -> Moment:
    if moment.clock is None or not moment.zone:
        return moment
    return read_wall(moment.day, moment.clock, moment.zone, use).moment


def _readings(day: date, clock: time, zone: str) -> tuple[datetime, datetime]:
    """Both readings as instants in UTC, fold 0 and fold 1; equal for an ordinary time."""
    local = datetime.combine(day, clock.replace(fold=0, tzinfo=None), ZoneInfo(zone))
    return local.astimezone(UTC), local.replace(fold=1).astimezone(UTC)


def _exists(first: datetime, second: datetime, day: date, clock: time, zone: str) -> Exists:
    """A time exists if its instant, read back in the zone, is that time again."""
    if first == second:
        return "once"
    back = first.astimezone(ZoneInfo(zone))
    same = (back.date(), back.time()) == (day, clock.replace(tzinfo=None))
    return "twice" if same else "never"
