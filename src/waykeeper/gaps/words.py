"""The table of words: fills the sentences and the severity of a verdict from words.yaml."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any, cast

import yaml

from waykeeper.plan.model import Item
from waykeeper.quickly_made import quickly_made

NO_DATE = "a day not known"
_ONE_DAY = timedelta(days=1)
IsOpen = Callable[[date], bool]
_NOT_STAFF = ("", "patient")  # somebody of the clinic acts on every row, also where the patient does the thing


@lru_cache(maxsize=65536)
def written(day: date) -> str:
    """`Wed 2026-04-29`: never without the weekday, which is how a wrong date is noticed."""
    return f"{('Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun')[day.weekday()]} {day.isoformat()}"


class Filling(dict[str, Any]):
    """The named dates and texts of an item. In a sentence a date is written with its weekday, a missing one said so.

    What few sentences use may be given as a function without arguments; it is called where it is asked for.
    """

    def __getitem__(self, name: str) -> Any:
        value = self.raw(name)
        if value is None:
            return NO_DATE
        return written(value) if isinstance(value, date) else value

    def raw(self, name: str) -> Any:
        """The date or text itself. Raises KeyError for a name that was not put in."""
        value = dict.__getitem__(self, name)  # a third of what `super()` costs, fifty times a patient
        return value() if callable(value) else value


@dataclass(frozen=True, slots=True)
class Entry:
    """One word of the table as words.yaml has it; `graver_from` and `by` are names of dates."""

    word: str
    reason: str
    gap: bool = False
    severity: int = 0
    graver_to: int = 0
    graver_from: str = ""
    harm_3: int = 0
    next_action: str = ""
    who: str = ""
    own_who: bool = False
    by: str = ""
    since: str = ""


@quickly_made
@dataclass(frozen=True, slots=True)
class Said:
    """One word of the table, filled: what a Verdict takes from it."""

    word: str
    gap: bool
    severity: int
    reason: str
    next_action: str
    who: str
    by: date | None
    since: date | None


@cache
def table() -> Mapping[str, Any]:
    """The whole of words.yaml."""
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    text = (files("waykeeper.gaps") / "words.yaml").read_text("utf-8")
    return cast("dict[str, Any]", yaml.load(text, Loader=loader))  # our own package data, safe loader


@cache
def entry(group: str, name: str) -> Entry:
    """One word of a kind. Raises KeyError where the table has none, TypeError for a key that it may not have."""
    fields: dict[str, Any] = {"word": name} | table()[group][name]
    graver = fields.pop("graver", {"to": 0, "from": ""})
    fields["next_action"] = fields.pop("next", "")
    return Entry(**fields, graver_to=graver["to"], graver_from=graver["from"])


def sentence(group: str, name: str, filling: Mapping[str, Any]) -> str:
    """A sentence of tails, questions, history, why, notes or ended. Raises KeyError for a name not filled."""
    filled = filling if isinstance(filling, Filling) else Filling(filling)
    return str(table()[group][name]).format_map(filled)


def acts(actor: str, name: str, filling: Mapping[str, Any]) -> str:
    """Part of an action as it reads for who acts: nobody tells the surgeon to tell the surgeon."""
    found = table()["actions"]
    own = f"{name}_{actor}"
    said = table()["actors"].get(actor, actor)
    return sentence("actions", own if own in found else name, dict(filling) | {"actor": said})


def phrases(actor: str) -> dict[str, str]:
    """The parts of actions that depend on who acts, by name."""
    names = ("do_it", "tell", "close_it", "decide", "find_out", "not_ready")
    made = {name: acts(actor, name, {}) for name in names}
    return made | {"do_it_first": made["do_it"][0].upper() + made["do_it"][1:]}


def open_on_or_before(day: date, first: date, is_open: IsOpen) -> date:
    """The last open day up to a day; the day itself where there is none from `first` on."""
    found = day
    while found >= first:
        if is_open(found):
            return found
        found -= _ONE_DAY
    return day


def open_on_or_after(day: date, last: date, is_open: IsOpen) -> date:
    """The first open day from a day on; the day itself where there is none up to `last`."""
    found = day
    while found <= last:
        if is_open(found):
            return found
        found += _ONE_DAY
    return day


def _severity(word: Entry, filling: Filling, as_of: date, harm: int) -> int:
    severity = max(word.severity, word.harm_3) if harm == 3 else word.severity
    if word.graver_from:
        start = filling.raw(word.graver_from)
        if start is not None and as_of >= start:
            return max(severity, word.graver_to)
    return severity


def _by(word: Entry, filling: Filling, as_of: date) -> date | None:
    """By which day to act: never before the as-of day."""
    if not word.by:
        return None
    day = as_of if word.by == "today" else filling.raw(word.by)
    return max(as_of, day) if day is not None else as_of


def _who(word: Entry, item: Item | None) -> str:
    own = item is not None and word.own_who and item.who not in _NOT_STAFF
    return item.who if own and item is not None else word.who


def say(group: str, name: str, item: Item | None, filling: Filling, as_of: date) -> Said:
    """Fill one word of the table for an item. `filling` holds the named dates and texts of the kind."""
    word = entry(group, name)
    return Said(
        word.word, word.gap, _severity(word, filling, as_of, item.harm if item else 1),
        word.reason.format_map(filling), word.next_action.format_map(filling) if word.next_action else "",
        _who(word, item), _by(word, filling, as_of),
        filling.raw(word.since) if word.since else None,
    )  # fmt: skip


def after(day: date | None) -> date | None:
    """The day after, where there is one."""
    return day + timedelta(days=1) if day is not None else None
