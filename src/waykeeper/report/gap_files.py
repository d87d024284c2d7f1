"""The gap report for other programs: a spreadsheet and JSON, under the same names as `Row`."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields, replace
from datetime import date

import orjson

from waykeeper.findings import visible
from waykeeper.gaps.as_json import as_json, as_object
from waykeeper.gaps.model import Change, Placement, Row, Worklist
from waykeeper.plan.model import Contact
from waykeeper.report.not_whole import MEND, NOT_WHOLE, sentences_of

_FIRST = (
    "patient", "item", "kind", "verdict", "severity", "window_start", "target", "window_end", "evidence", "certainty",
    "reason", "next_action", "who", "by",
)  # fmt: skip
CSV_COLUMNS = (*_FIRST, *sorted(f.name for f in fields(Row) if f.name not in _FIRST))
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def csv_in_parts(worklist: Worklist) -> Iterator[str]:
    """One row a planned item, in the report's order, for a spreadsheet; before them, in a list that is not whole, why.

    It comes row by row: the rows of a large export are read from disk as they are written.

    UTF-8 with a byte-order mark, commas, CRLF (RFC 4180): without the mark a spreadsheet reads accents wrong when
    the file is double-clicked, and other readers skip it (`utf-8-sig`). Dates are ISO 8601. Cells that a spreadsheet
    would run as a formula begin with an apostrophe. Line breaks inside a cell become spaces, lists are joined by `; `.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    out.write("\ufeff")
    writer.writerow(CSV_COLUMNS)
    for why in sentences_of(worklist.lacking):
        about = {"patient": NOT_WHOLE, "reason": why, "next_action": MEND}
        writer.writerow([cell(about.get(name, "")) for name in CSV_COLUMNS])
    for row in worklist.rows:
        writer.writerow([cell(getattr(row, name)) for name in CSV_COLUMNS])
        yield out.getvalue()
        out.seek(0)
        out.truncate()
    yield out.getvalue()


def json_in_parts(worklist: Worklist, changes: Sequence[Change] | None = None) -> Iterator[str]:
    """The report as JSON text with `schema_version`; `gaps --since` reads it back. With what changed, if given.

    Indented by two, names in order; value by value, so that a large report is never in memory as a whole.
    """
    lists: dict[str, Iterable[Row | Placement | Change]] = {
        "appointments": worklist.appointments,
        "rows": worklist.rows,
        **({} if changes is None else {"changes": changes}),
    }
    plain = as_json(replace(worklist, rows=(), appointments=()))
    start = "{\n"
    for name in sorted({*plain, *lists}):
        yield f'{start}  "{name}": '
        if name in lists:
            yield from _list(lists[name])
        else:
            yield _indented(plain[name], 2)
        start = ",\n"
    yield "\n}\n"


def _list(values: Iterable[Row | Placement | Change]) -> Iterator[str]:
    start = "["
    for value in values:
        yield f"{start}\n    {_indented(as_object(value), 4)}"
        start = ","
    yield "[]" if start == "[" else "\n  ]"


def _indented(value: object, by: int) -> str:
    """A value as JSON text whose further lines are indented by so many blanks more."""
    text = orjson.dumps(value, option=orjson.OPT_INDENT_2).decode()
    return text.replace("\n", "\n" + " " * by)


def cell(value: object) -> str:
    """A value as a cell that a spreadsheet shows and never runs."""
    if isinstance(value, str):
        return _text(value)
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
    """On one line, and never a formula: also where only what is not seen stands before the sign."""
    text = visible(text)
    risky = text.startswith(_FORMULA) or text.lstrip().startswith(_FORMULA)
    line = " ".join(text.split())
    return f"'{line}" if risky else line
