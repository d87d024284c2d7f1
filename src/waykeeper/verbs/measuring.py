"""Plans and what happened in a month -> the measures of the month."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.verbs.comparing import read_sources
from waykeeper.verbs.words import PathText, as_text

if TYPE_CHECKING:
    from waykeeper.gaps.measures import Measure


@dataclass(frozen=True, slots=True)
class Measures:
    """The measures of one month; `month` is its first day."""

    month: date
    found: tuple[Measure, ...]
    findings: tuple[Finding, ...] = ()


def measures(*sources: PathText, month: str = "", mapping: PathText = "", now: datetime | None = None) -> Measures:
    """The monthly measures, numerators and denominators listed by case.

    sources   as in `gaps`
    mapping   how the scheduler's own files are read, as in `gaps`
    month     2026-03; by default the last month that is over in the clinic's zone. One that is not over is refused
    """
    from waykeeper.gaps.measures import measures as measured
    from waykeeper.gaps.measures import month_of

    wanted = _first(month) if month else None
    plans, found, noticed = read_sources(tuple(map(as_text, sources)), as_text(mapping))
    zone = plans[0][0].zone
    today = (now or datetime.now(ZoneInfo(zone))).astimezone(ZoneInfo(zone)).date()
    first = wanted or month_of(today.replace(day=1) - timedelta(days=1)).first
    if month_of(first).last >= today:
        details = f"--month is {first:%Y-%m}, which is not over"
        raise WaykeeperError(finding("WKC201", details, help="Name a month that is over."))
    return Measures(first, measured(plans, found, first), noticed)


def _first(month: str) -> date:
    """The first day of a month as 2026-03. Raises WaykeeperError WKC201."""
    try:
        if len(month) != len("2026-03"):
            raise ValueError
        return date.fromisoformat(f"{month}-01")
    except ValueError:
        help_text = "Write a month as 2026-03."
        raise WaykeeperError(finding("WKC201", f"--month is {month!r}, which is no month", help=help_text)) from None
