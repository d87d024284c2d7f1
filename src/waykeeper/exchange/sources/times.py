"""Times as a source writes them -> a day and an instant: stated format, stated zone, nothing guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from waykeeper.findings import Finding, Position, finding
from waykeeper.timing import read_wall

_CLOCKS = {"%H%M": 4, "%H%M%S": 6}
_RUN_ON = re.compile(r"(?:%[YymdHIMS]){2,}")


@dataclass(frozen=True, slots=True)
class When:
    """A local day of the clinic, and the instant where a time is known."""

    day: date | None = None
    at: datetime | None = None


class UnreadableTimeError(ValueError):
    """A text that does not follow the stated format. `swapped`: it would with day and month exchanged."""

    def __init__(self, text: str, stated: str, *, swapped: bool = False) -> None:
        """Keep whether exchanging day and month would help."""
        super().__init__(f"{text!r} is not written as {stated}")
        self.swapped = swapped


def parse(text: str, stated: str) -> datetime:
    """A text by a stated format (directives of strptime). Raises UnreadableTimeError.

    Where nothing stands between two numbers each has all its digits: of 01122026 a spreadsheet leaves 1122026, which
    may be a day of January or of November. Of a time alone, 930, only the zero before it can be missing.
    """
    if text.isascii() and text.isdigit() and len(text) + 1 == _CLOCKS.get(stated):
        text = f"0{text}"
    try:
        said = datetime.strptime(text, stated)  # noqa: DTZ007 - the zone is stated apart, or %z is in the format
    except ValueError:
        raise UnreadableTimeError(text, stated, swapped=_reads(text, _swapped(stated))) from None
    if any(said.strftime(run) not in text for run in _RUN_ON.findall(stated)):
        raise UnreadableTimeError(text, stated)
    return said


def _swapped(stated: str) -> str:
    return stated.replace("%d", "\0").replace("%m", "%d").replace("\0", "%m")


def _reads(text: str, stated: str) -> bool:
    try:
        datetime.strptime(text, stated)  # noqa: DTZ007
    except ValueError:
        return False
    return True


def repeated(at: datetime, zone: str) -> timedelta:
    """How much later the wall time of an instant comes again in a zone, as in the night when the clocks go back."""
    wall = at.astimezone(ZoneInfo(zone)).replace(fold=0)
    first, second = wall.utcoffset() or timedelta(), wall.replace(fold=1).utcoffset() or timedelta()
    return max(first - second, timedelta())


def end_of(start: datetime, minutes: int) -> datetime | None:
    """When something of this length ends; None for a length that no calendar holds."""
    try:
        return start + timedelta(minutes=minutes)
    except OverflowError:
        return None


def local(wall: datetime, zone: str, clinic: str, place: Position) -> tuple[When, Finding | None]:
    """A wall time of a zone (or a time with an offset) as the clinic's day and instant.

    In a repeated hour the first reading counts; a time that the clocks skip is moved and a finding says so. Either
    way the day is certain.
    """
    if wall.tzinfo is not None:
        at = wall.astimezone(ZoneInfo(clinic))
        return When(at.date(), at), None
    reading = read_wall(wall.date(), wall.time(), zone, "scheduled")
    at = reading.moment.instant().astimezone(ZoneInfo(clinic))
    noticed = finding("WKX406", reading.finding.details, place) if reading.finding else None
    return When(at.date(), at), noticed
