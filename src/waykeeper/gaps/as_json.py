"""The report as plain JSON values, and rows back from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import Any

from waykeeper.gaps.model import SCHEMA_VERSION, Placement, Row, Worklist
from waykeeper.plan.model import Contact

_DATES = frozenset(
    {"since", "window_start", "target", "window_end", "by", "mend_by", "evidence_day", "booked", "attended",
     "book_from", "late_from", "surgery", "snoozed_until"}
)  # fmt: skip
_LISTS = frozenset({"evidence", "questions", "guesses", "history", "duplicates"})


_NAMES: Mapping[type, tuple[str, ...]] = {
    cls: tuple(sorted(f.name for f in fields(cls))) for cls in (Row, Placement, Contact)
}


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return _object(value) if isinstance(value, Contact) else value


def _object(value: Row | Placement | Contact) -> dict[str, Any]:
    """A value as an object with snake_case keys, sorted."""
    return {name: _plain(getattr(value, name)) for name in _NAMES[type(value)]}


def as_json(report: Worklist) -> dict[str, Any]:
    """The report as JSON values: `schema_version`, `as_of`, `counts`, `rows` in their order, `appointments`."""
    return {
        "appointments": [_object(p) for p in report.appointments],
        "as_of": report.as_of.isoformat(),
        "counts": dict(report.counts),
        "rows": [_object(r) for r in report.rows],
        "schema_version": SCHEMA_VERSION,
    }


def _contact(value: Mapping[str, Any]) -> Contact:
    return Contact(**{**value, "on": date.fromisoformat(value["on"])})


def _read(name: str, value: Any) -> Any:
    if name in _DATES:
        return date.fromisoformat(value) if value else None
    if name == "contacts":
        return tuple(_contact(c) for c in value)
    return tuple(value) if name in _LISTS else value


def rows_from_json(report: Mapping[str, Any]) -> tuple[Row, ...]:
    """The rows of an earlier report, for `changes_since`. Raises ValueError for another schema version."""
    if report.get("schema_version") != SCHEMA_VERSION:
        raise ValueError(f"schema_version {report.get('schema_version')!r} is not {SCHEMA_VERSION!r}")
    known = set(_NAMES[Row])
    return tuple(Row(**{k: _read(k, v) for k, v in row.items() if k in known}) for row in report["rows"])
