"""The report as plain JSON values, and rows back from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import Any

from waykeeper.gaps.model import SCHEMA_VERSION, Change, Placement, Row, Worklist
from waykeeper.plan.model import Contact

_DATES = frozenset(
    {"since", "window_start", "target", "window_end", "by", "mend_by", "evidence_day", "booked", "attended",
     "book_from", "late_from", "surgery", "snoozed_until", "closed_on"}
)  # fmt: skip
_LISTS = frozenset({"evidence", "questions", "guesses", "history", "duplicates"})


_NAMES: Mapping[type, tuple[str, ...]] = {
    cls: tuple(sorted(f.name for f in fields(cls))) for cls in (Row, Placement, Change, Contact)
}


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return as_object(value) if isinstance(value, Contact | Row) else value


def as_object(value: Row | Placement | Change | Contact) -> dict[str, Any]:
    """A value as an object with snake_case keys, sorted; of a change `kind`, `before` and `after` (a row, or null)."""
    return {name: _plain(getattr(value, name)) for name in _NAMES[type(value)]}


def as_json(report: Worklist) -> dict[str, Any]:
    """The report as JSON values: `schema_version`, `as_of`, `counts`, `rows` in their order, `appointments`.

    A narrowed report says by what (`asked`); it cannot be compared with a later one. One that is not whole says what is
    not in it (`lacking`), one beside whose plans not all of a theatre list could be laid what that was (`unlike`).
    """
    return {
        "appointments": [as_object(p) for p in report.appointments],
        "as_of": report.as_of.isoformat(),
        **({"asked": dict(report.asked)} if report.asked else {}),
        "counts": dict(report.counts),
        **({"lacking": list(report.lacking)} if report.lacking else {}),
        "rows": [as_object(r) for r in report.rows],
        "schema_version": SCHEMA_VERSION,
        **({"unlike": list(report.unlike)} if report.unlike else {}),
    }


def _contact(value: Mapping[str, Any]) -> Contact:
    return Contact(**{**value, "on": date.fromisoformat(value["on"])})


_PLAIN = {f.name: f.type for f in fields(Row) if f.type in ("str", "int", "bool")}


def _read(name: str, value: Any) -> Any:
    if type(value).__name__ != _PLAIN.get(name, type(value).__name__):
        raise TypeError(name)  # edited by hand: read on, it would fail where the rows are sorted or counted
    if name in _DATES:
        return date.fromisoformat(value) if value else None
    if name == "contacts":
        return tuple(_contact(c) for c in value)
    return tuple(value) if name in _LISTS else value


def rows_from_json(report: Any) -> tuple[date, tuple[Row, ...]]:
    """The as-of day and the rows of an earlier report, for `changes_since`.

    Raises ValueError saying why: not a report, another schema version, a narrowed report (rows that were hidden would
    look new), a row that lacks something.
    """
    if not isinstance(report, Mapping) or not isinstance(report.get("rows"), list):
        raise ValueError("this is no gap report")
    if report.get("schema_version") != SCHEMA_VERSION:
        raise ValueError(f"schema_version is {report.get('schema_version')!r}, not {SCHEMA_VERSION!r}")
    if report.get("asked"):
        raise ValueError("the report was narrowed by a filter, so that new gaps could not be told from hidden ones")
    known = set(_NAMES[Row])
    try:
        day = date.fromisoformat(report["as_of"])
        rows = tuple(Row(**{k: _read(k, v) for k, v in row.items() if k in known}) for row in report["rows"])
    except (AttributeError, KeyError, TypeError, ValueError):
        raise ValueError("this is no whole gap report: a row or its day cannot be read") from None
    return day, rows
