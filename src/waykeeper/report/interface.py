"""The sentences around the pathway's own words, and dates and times as people say them, in each language."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date as Day  # noqa: N812 - `date` is a method below
from datetime import time
from functools import cache
from importlib.resources import files
from typing import Any, cast

from waykeeper.findings import WaykeeperError, finding
from waykeeper.timing import read_wall
from waykeeper.timing.model import Moment


@cache
def data(name: str) -> Any:
    """A table of this room's package data by file name without ending. Raises FileNotFoundError."""
    import yaml

    text = (files("waykeeper.report") / "data" / f"{name}.yaml").read_text("utf-8")
    return yaml.load(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))


def languages() -> tuple[str, ...]:
    """The languages that every sentence exists in."""
    return tuple(cast("Mapping[str, str]", data("interface")["language_name"]))


@dataclass(frozen=True, slots=True)
class Interface:
    """One language's sentences. Make it with `interface`."""

    language: str

    def say(self, key: str, **fields: str) -> str:
        """The sentence of a key with its fields filled in. Raises KeyError for an unknown key or missing field."""
        text = cast("str", data("interface")[key][self.language])
        return text.format(**fields) if fields else text

    def lines(self, key: str) -> tuple[str, ...]:
        """The sentences of a key that holds several."""
        return tuple(cast("Sequence[str]", data("interface")[key][self.language]))

    def name(self, table: str, key: str, default: str = "") -> str:
        """A name out of a table of names ("roles", "anchors"); the default where the table has none."""
        row = cast("Mapping[str, Mapping[str, str]]", data("interface")[table]).get(key)
        return row[self.language] if row else default

    def date(self, day: Day) -> str:
        """Weekday, day, month and year: `Wednesday, March 18, 2026`."""
        return self._day("date", day)

    def short_date(self, day: Day) -> str:
        """Weekday, day and month: `Wednesday, March 18`."""
        return self._day("short_date", day)

    def birth_date(self, written: str) -> str:
        """A FHIR date (year, year-month or whole) as people say it; as written where it is not whole."""
        try:
            return self._day("birth_date", Day.fromisoformat(written))
        except ValueError:
            return written

    def _day(self, form: str, day: Day) -> str:
        weekday, month = self.lines("weekdays")[day.weekday()], self.lines("months")[day.month - 1]
        return self.say(form, weekday=weekday, month=month, day=str(day.day), year=str(day.year))

    def clock(self, clock: time) -> str:
        """`7:30 AM`; noon and midnight in words, because 12 AM and 12 PM are misread."""
        if clock == time(12, 0):
            return self.say("noon")
        if clock == time(0, 0):
            return self.say("midnight")
        half = self.say("am" if clock.hour < 12 else "pm")
        return f"{(clock.hour - 1) % 12 + 1}:{clock.minute:02d} {half}"

    def moment(self, moment: Moment) -> str:
        """The day, with its time where one is known, and which of the two where the hour comes twice."""
        if moment.clock is None:
            return self.date(moment.day)
        timed = f"{self.date(moment.day)}, {self.say('at_time', time=self.clock(moment.clock))}"
        return " ".join(filter(None, (timed, self.which_hour(moment))))

    def which_hour(self, moment: Moment) -> str:
        """Which of the two is meant where the hour comes twice, "" where it comes once."""
        if moment.fold:
            return self.say("repeated_hour")
        if moment.clock is None or not moment.zone:
            return ""
        twice = read_wall(moment.day, moment.clock, moment.zone, "scheduled").exists == "twice"
        return self.say("first_hour") if twice else ""


def interface(language: str) -> Interface:
    """The sentences of a language, "en" or "es" ("es-MX" is read as "es"). Raises WaykeeperError (WKO004)."""
    known = language.split("-", maxsplit=1)[0].lower()
    if known not in languages():
        allowed = ", ".join(languages())
        raise WaykeeperError(finding("WKO004", f"language {language!r} is not one of: {allowed}"))
    return Interface(known)
