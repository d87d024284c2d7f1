"""Occurrences of a recurring event, and which of them an exception or another event takes away (RFC 5545 3.8.5).

EXDATE and RECURRENCE-ID are to be written as DTSTART is (3.8.5.1, 3.8.4.4). Calendars do not all do so: a day alone
then means every occurrence of that day, a time without a zone may be of the event's zone or of the stated one. An
occurrence that any of these readings names is named: a cancelled one must not stay booked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

MOST_OCCURRENCES = 400  # of one recurring event; a series of visits around an operation has far fewer
_UNTIL_DAY = re.compile(r"UNTIL=\d{8}(?=;|$)")
_UNTIL = re.compile(r"UNTIL=(\d{8}T\d{6})Z")

# What the library would count for ever, without an occurrence to stop at: steps of no length, and hours or less of
# which only those of some days are wanted, to the end of its calendar.
_ENDLESS = re.compile(
    r"INTERVAL=(?!0*[1-9])|FREQ=(HOURLY|MINUTELY|SECONDLY)(?=;).*BY[A-Z]+=|BY[A-Z]+=.*FREQ=(HOURLY|MINU|SEC)"
)

Start = date | datetime  # as DTSTART says it: a day, a floating time, or a time with a zone


class UnreadableRuleError(ValueError):
    """A rule of repetition that is not read, in words that repeat nothing of it."""


@dataclass(frozen=True, slots=True)
class Series:
    """What a recurring event says of its occurrences.

    every    its occurrences, with those that an exception takes out
    left     those that stand
    doubted  those of them on a day of which an exception names an hour that no occurrence has
    """

    every: tuple[Start, ...]
    left: tuple[Start, ...]
    doubted: tuple[Start, ...]


def series(event: Any, zone: str) -> Series:
    """The occurrences of an event with its exceptions; `zone` is that of times without one.

    Raises UnreadableRuleError for a rule that cannot be read, never ends, or repeats more than MOST_OCCURRENCES times.
    """
    start = event["DTSTART"].dt
    if "EXRULE" in event:  # of RFC 2445; RFC 5545 has it no more
        raise UnreadableRuleError("EXRULE takes occurrences out in a way that is not read")
    try:
        every = _all(event, start)
        taken = [_plain(d.dt) for one in properties(event, "EXDATE") for d in one.dts]
    except UnreadableRuleError:
        raise
    except (ValueError, TypeError, AttributeError) as error:
        raise UnreadableRuleError(f"the rule of repetition cannot be read ({type(error).__name__})") from None
    if len(every) > MOST_OCCURRENCES:
        raise UnreadableRuleError(f"the event is repeated more than {MOST_OCCURRENCES} times or never ends")
    gone = {n for said in taken for n in named(every, said, zone)}
    stray = [said for said in taken if not named(every, said, zone)]
    beside = {n for said in stray for n in of_its_day(every, said, zone)} - gone
    left = tuple(one for n, one in enumerate(every) if n not in gone)
    return Series(tuple(every), left, tuple(every[n] for n in sorted(beside)))


def properties(event: Any, name: str) -> list[Any]:
    """Every property of a name."""
    said = event.get(name)
    return said if isinstance(said, list) else [] if said is None else [said]


def _all(event: Any, start: Start) -> list[Start]:
    """Start of each occurrence. Rules count in the wall time of the event's own zone (RFC 5545 3.3.10)."""
    from dateutil.rrule import rruleset, rrulestr

    zone = start.tzinfo if isinstance(start, datetime) else None
    plain = start.replace(tzinfo=None) if isinstance(start, datetime) else datetime.combine(start, time())
    rules = rruleset()
    rules.rdate(plain)  # DTSTART is the first of the set
    for rule in properties(event, "RRULE"):
        text = _UNTIL.sub(lambda m: f"UNTIL={_in_zone(m[1], zone)}", rule.to_ical().decode())
        if isinstance(start, datetime):  # a day bounds the series inclusively (RFC 5545 3.3.10)
            text = _UNTIL_DAY.sub(r"\g<0>T235959", text)
        if _ENDLESS.search(text.upper()):
            raise UnreadableRuleError("the rule of repetition never comes to an end, or to an occurrence")
        rules.rrule(rrulestr(text, dtstart=plain))  # type: ignore[arg-type] # one rule, never a set
    for moment in (_plain(d.dt) for one in properties(event, "RDATE") for d in one.dts):
        rules.rdate(_wall(moment, zone))
    walls = []
    for wall in rules:
        walls.append(wall)
        if len(walls) > MOST_OCCURRENCES:
            break
    return [w.replace(tzinfo=zone) if isinstance(start, datetime) else w.date() for w in walls]


def _plain(moment: Any) -> Start:
    """A date or time; of a period (RDATE;VALUE=PERIOD, RFC 5545 3.3.9) its start."""
    first = moment[0] if isinstance(moment, tuple) else moment
    if not isinstance(first, date):
        raise TypeError("no date")
    return first


def _wall(moment: Start, zone: Any) -> datetime:
    """A moment as wall time of the event's zone."""
    if not isinstance(moment, datetime):
        return datetime.combine(moment, time())
    return moment.astimezone(zone).replace(tzinfo=None) if moment.tzinfo and zone else moment.replace(tzinfo=None)


def _in_zone(text: str, zone: Any) -> str:
    at = datetime.strptime(text, "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    return (at.astimezone(zone) if zone else at).strftime("%Y%m%dT%H%M%S")


def named(every: Sequence[Start], said: Start, zone: str) -> list[int]:
    """Which occurrences a moment names: those of its instant, or of its day where one of the two is a day only.

    It is read in the event's own zone and in the stated one; the first reading that names one counts.
    """
    return _first(every, said, zone, _same)


def of_its_day(every: Sequence[Start], said: Start, zone: str) -> list[int]:
    """The occurrences on the day of a moment."""
    return _first(every, said, zone, lambda one, other, there: _day(one, there) == _day(other, there))


def not_before(one: Start, said: Start, zone: str) -> bool:
    """Whether an occurrence is the one that a moment names, or a later one."""
    there = _readings(one, zone)[0]
    if isinstance(one, datetime) and isinstance(said, datetime):
        return _at(one, there) >= _at(said, there)
    return _day(one, there) >= _day(said, there)


def _first(every: Sequence[Start], said: Start, zone: str, same: Callable[[Start, Start, Any], bool]) -> list[int]:
    for there in _readings(every[0], zone) if every else ():
        hit = [n for n, one in enumerate(every) if same(one, said, there)]
        if hit:
            return hit
    return []


def _readings(one: Start, zone: str) -> list[Any]:
    """The zones in which a day or a time without a zone may be meant, the likeliest first: nobody lives by UTC."""
    own, stated = one.tzinfo if isinstance(one, datetime) else None, ZoneInfo(zone)
    if own is None:
        return [stated]
    return [stated, own] if str(own) == "UTC" else [own, stated]


def _same(one: Start, said: Start, there: Any) -> bool:
    if isinstance(one, datetime) and isinstance(said, datetime):
        return _at(one, there) == _at(said, there)
    return _day(one, there) == _day(said, there)


def _at(moment: datetime, there: Any) -> datetime:
    return (moment if moment.tzinfo else moment.replace(tzinfo=there)).astimezone(UTC)


def _day(moment: Start, there: Any) -> date:
    if not isinstance(moment, datetime):
        return moment
    return moment.astimezone(there).date() if moment.tzinfo else moment.date()
