"""The table of words: fills the sentences and the severity of a verdict from words.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any, cast

import yaml

from waykeeper.plan.model import Item

NO_DATE = "a day not known"
Filling = Mapping[str, Any]


@cache
def table() -> Mapping[str, Any]:
    """The whole of words.yaml."""
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    text = (files("waykeeper.gaps") / "words.yaml").read_text("utf-8")
    return cast("dict[str, Any]", yaml.load(text, Loader=loader))  # our own package data, safe loader


@lru_cache(maxsize=65536)
def written(day: date) -> str:
    """`Wed 2026-04-29`: never without the weekday, which is how a wrong date is noticed."""
    return f"{('Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun')[day.weekday()]} {day.isoformat()}"


class _Filled(dict[str, Any]):
    """Names for format_map: dates written with their weekday, a date that is missing said to be."""

    def __getitem__(self, name: str) -> Any:
        value = super().__getitem__(name)
        if value is None:
            return NO_DATE
        return written(value) if isinstance(value, date) else value


def sentence(group: str, name: str, filling: Filling) -> str:
    """A sentence of tails, questions, history, why, notes or ended. Raises KeyError for a name not filled."""
    return str(table()[group][name]).format_map(_Filled(filling))


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


def _severity(entry: Mapping[str, Any], filling: Filling, as_of: date, harm: int) -> int:
    severity = int(entry.get("severity", 0))
    if harm == 3:
        severity = max(severity, int(entry.get("harm_3", severity)))
    graver = entry.get("graver")
    if graver:
        start = filling[graver["from"]]
        if start is not None and as_of >= start:
            severity = max(severity, int(graver["to"]))
    return severity


def _by(entry: Mapping[str, Any], filling: Filling, as_of: date) -> date | None:
    name = entry.get("by")
    if name is None:
        return None
    day = as_of if name == "today" else filling[name]
    return max(as_of, day) if day is not None else as_of


def say(group: str, name: str, item: Item | None, filling: Filling, as_of: date) -> Said:
    """Fill one word of the table for an item. `filling` holds the named dates and texts of the kind."""
    entry = table()[group][name]
    filled = _Filled(filling)
    since = filling[entry["since"]] if "since" in entry else None
    role = str(entry.get("who", ""))
    if entry.get("own_who") and item is not None and item.who:
        role = item.who
    return Said(
        str(entry.get("word", name)), bool(entry.get("gap", False)),
        _severity(entry, filling, as_of, item.harm if item else 1),
        str(entry["reason"]).format_map(filled), str(entry.get("next", "")).format_map(filled),
        role, _by(entry, filling, as_of), since,
    )  # fmt: skip


def after(day: date | None) -> date | None:
    """The day after, where there is one."""
    return day + timedelta(days=1) if day is not None else None
