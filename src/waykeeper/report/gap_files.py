"""The gap report for other programs: a spreadsheet and JSON, under the same names as `Row`."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import fields
from datetime import date
from typing import Any

from waykeeper.gaps.as_json import as_json, changes_as_json
from waykeeper.gaps.model import Change, Row, Worklist
from waykeeper.plan.model import Contact

_FIRST = (
    "patient", "item", "kind", "verdict", "severity", "window_start", "target", "window_end", "evidence", "certainty",
    "reason", "next_action", "who", "by",
)  # fmt: skip
CSV_COLUMNS = (*_FIRST, *sorted(f.name for f in fields(Row) if f.name not in _FIRST))
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def gaps_csv(worklist: Worklist) -> str:
    """One row a planned item, in the report's order, for a spreadsheet.

    UTF-8 with a byte-order mark, commas, CRLF (RFC 4180): without the mark a spreadsheet reads accents wrong when
    the file is double-clicked, and other readers skip it (`utf-8-sig`). Dates are ISO 8601. Cells that a spreadsheet
    would run as a formula begin with an apostrophe. Line breaks inside a cell become spaces, lists are joined by `; `.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_COLUMNS)
    writer.writerows([cell(getattr(row, name)) for name in CSV_COLUMNS] for row in worklist.rows)
    return "\ufeff" + out.getvalue()


def gaps_json(worklist: Worklist, changes: Sequence[Change] | None = None) -> dict[str, Any]:
    """The report as JSON values with `schema_version`; `gaps --since` reads it back. With what changed, if given."""
    told = {} if changes is None else {"changes": changes_as_json(changes)}
    return dict(sorted((as_json(worklist) | told).items()))


def cell(value: object) -> str:
    """A value as a cell that a spreadsheet shows and never runs."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple):
        return _text("; ".join(_contact(v) if isinstance(v, Contact) else str(v) for v in value))
    return _text(str(value))


def _contact(made: Contact) -> str:
    return f"{made.on.isoformat()} {made.route} {'reached' if made.reached else 'not reached'}"


def _text(text: str) -> str:
    """On one line, and never a formula: also where only blanks stand before the sign."""
    risky = text.startswith(_FORMULA) or text.lstrip().startswith(_FORMULA)
    line = " ".join(text.split())
    return f"'{line}" if risky else line
