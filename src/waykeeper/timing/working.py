"""The clinic's working calendar: its holidays, rolling, and counting in working days."""

from __future__ import annotations

import warnings
from collections.abc import Collection, Iterable, Mapping
from datetime import date, time, timedelta
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, cast

from waykeeper.timing.errors import TimingError
from waykeeper.timing.model import Window, WorkingCalendar

if TYPE_CHECKING:
    from holidays import HolidayBase

Policy = Literal["", "none", "in window", "earlier", "next", "previous", "nearest", "modified next"]

LONGEST_CLOSURE = 366  # days searched for an open day before giving up

YEARS_COMPARED = tuple(range(2026, 2033))  # of a country and its parts: a day of the month meets most weekdays in them

_ONE_DAY = timedelta(days=1)


def calendar_for(
    country: str,
    years: Iterable[int],
    weekdays: Collection[int] = (0, 1, 2, 3, 4),
    hours: tuple[time, time] | None = None,
    parts: Mapping[str, time] | None = None,
    closures: Mapping[date, str] | None = None,
    zone: str = "UTC",
) -> WorkingCalendar:
    """A working calendar with the public holidays, observed days included, of the pinned `holidays` library.

    country   ISO 3166 code, a subdivision after a hyphen (`US`, `US-TX`), or "" for no public holidays
    years     years that must be covered; a year before and after is added, because an observed holiday may
              fall into the year before. Years that the library has no data for are not covered
    closures  the site's own closed days with the reason; they join the holidays

    Raises TimingError for a country or subdivision that the library does not know.
    """
    wanted = sorted(set(years))
    covered = tuple(range(wanted[0] - 1, wanted[-1] + 2)) if wanted else ()
    if country:
        found, covered = _public_holidays(country, covered)
    closed = {**(found if country else {}), **(closures or {})}
    return WorkingCalendar(
        zone=zone,
        weekdays=frozenset(weekdays),
        closed=dict(sorted(closed.items())),
        parts=dict(parts or {}),
        hours=hours,
        years=covered,
        source=f"holidays {holiday_version()} {country}" if country else "",
    )


def missed_in_each_part(country: str, weekdays: Collection[int]) -> Mapping[str, tuple[date, str]]:
    """Each part of a country with the first public holiday that the country alone leaves out, where every part has one.

    In such a country the calendar without a part is short of a holiday wherever the clinic lies. Holidays on other
    weekdays than these close nothing. {} for any other country, for a part, and for what the library does not know.
    """
    import holidays

    named = holidays.list_supported_countries(include_aliases=False).get(country, [])
    known = _public_holidays(country, YEARS_COMPARED)[0] if named else {}
    missed = {}
    for part in (one for one in named if one.isalnum() and one == one.upper()):  # as ISO 3166-2 writes them
        of_part = _public_holidays(f"{country}-{part}", YEARS_COMPARED)[0]
        further = ((day, name) for day, name in of_part.items() if day not in known and day.weekday() in weekdays)
        if (first := next(further, None)) is None:
            return {}
        missed[part] = first
    return missed


def holiday_version() -> str:
    """The version of the holiday data, for `--version` and for the output."""
    from importlib.metadata import version

    return version("holidays")


@lru_cache(maxsize=64)
def _public_holidays(country: str, years: tuple[int, ...]) -> tuple[Mapping[date, str], tuple[int, ...]]:
    """The holidays with their observed days, each by its name, and the years that the library has data for.

    In a year without, a holiday would be taken for open.
    """
    found, lacks_some = _country(country, years)
    known = tuple(year for year in years if found.start_year <= year <= found.end_year)
    if lacks_some:
        known = tuple(year for year in known if not _country(country, (year,))[1])
    if years and not known:
        raise TimingError("WKT209", f"no public holidays are known for {country!r} in {years[0]} to {years[-1]}")
    return MappingProxyType(cast("dict[date, str]", dict(sorted(found.items())))), known


def _country(country: str, years: tuple[int, ...]) -> tuple[HolidayBase, bool]:
    """What the library has for a country, and whether it warned that it lacks some of the years."""
    import holidays

    code, _, part = country.partition("-")
    try:
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            found = holidays.country_holidays(code, subdiv=part or None, years=list(years), observed=True)
    except NotImplementedError as error:
        raise TimingError("WKT209", f"no public holidays are known for {country!r}") from error
    return found, bool(warned)


def working_days_before(day: date, n: int, calendar: WorkingCalendar) -> date:
    """The nth open day before `day`, which is not counted itself; `day` where n is 0."""
    return _count(day, n, -_ONE_DAY, calendar)


def working_days_after(day: date, n: int, calendar: WorkingCalendar) -> date:
    """The nth open day after `day`, which is not counted itself; `day` where n is 0."""
    return _count(day, n, _ONE_DAY, calendar)


def roll(day: date, policy: Policy, window: Window | None, calendar: WorkingCalendar) -> date:
    """The open day that stands for `day`; an open day is never moved.

    `in window`      the next open day inside the window, else the previous one inside it ("modified next")
    `earlier`        the previous open day ("previous")
    `next`, `nearest` the next open day; the nearer of both, a tie goes to the earlier
    "" or `none`     `day` itself

    Raises TimingError where the window has no open day, or where `in window` has no window.
    """
    if policy in ("", "none") or _open(day, calendar):
        return day
    if policy in ("in window", "modified next"):
        return _inside(day, window, calendar)
    if policy in ("earlier", "previous"):
        return _seek(day, -_ONE_DAY, calendar)
    if policy == "next":
        return _seek(day, _ONE_DAY, calendar)
    if policy == "nearest":
        before, after = _seek(day, -_ONE_DAY, calendar), _seek(day, _ONE_DAY, calendar)
        return before if day - before <= after - day else after
    raise ValueError(f"unknown rolling policy {policy!r}")


def _inside(day: date, window: Window | None, calendar: WorkingCalendar) -> date:
    if window is None:
        raise TimingError("WKT206", "rolling inside a window needs a window")
    later, earlier = max(day, window.start.day), min(day, window.end.day)
    while later <= window.end.day:
        if _open(later, calendar):
            return later
        later += _ONE_DAY
    while earlier >= window.start.day:
        if _open(earlier, calendar):
            return earlier
        earlier -= _ONE_DAY
    raise TimingError("WKT205", f"the clinic is closed on every day of {window}")


def _open(day: date, calendar: WorkingCalendar) -> bool:
    if calendar.years and day.year not in calendar.years:
        first, last = calendar.years[0], calendar.years[-1]
        raise TimingError("WKT204", f"{day.isoformat()} lies outside the working calendar ({first} to {last})")
    return calendar.is_open(day)


def _seek(day: date, step: timedelta, calendar: WorkingCalendar) -> date:
    """The first open day from `day` on, that day excluded."""
    found = day
    for _ in range(LONGEST_CLOSURE):
        try:
            found += step
        except OverflowError:
            break
        if _open(found, calendar):
            return found
    raise TimingError("WKT205", f"no open day within {LONGEST_CLOSURE} days of {day.isoformat()}")


def _count(day: date, n: int, step: timedelta, calendar: WorkingCalendar) -> date:
    for _ in range(n):
        day = _seek(day, step, calendar)
    return day
