"""A CSV table under column names of our own: no column and no row of it is passed over."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from waykeeper.exchange.files import read_bytes
from waykeeper.findings import Finding, Position, WaykeeperError, did_you_mean, finding


@dataclass(frozen=True, slots=True)
class Columns:
    """What a table may hold.

    needed   the columns that must be there
    known    the columns that a person may write, the needed ones among them
    others   columns that may stand there too, as in a table that Waykeeper wrote
    """

    needed: Sequence[str]
    known: Sequence[str]
    others: Collection[str] = ()


def rows(path: str, columns: Columns) -> list[tuple[int, Mapping[str, str]]]:
    """The rows below the header with their lines, blank ones left out, the cells without blanks around them.

    The delimiter is the comma or the semicolon, whichever the header has more of. Raises WaykeeperError WKC101 and
    WKC102: no file, not UTF-8, no CSV, a column that is lacking, there twice or nobody's (what stands in it would be
    lost), and every row that has not as many cells as the header.
    """
    lines = _lines(path)
    header = [name.lower() for name in lines[0][1]]
    _known(header, columns, Position(path, lines[0][0]))
    said = "{} cells under {} columns"
    uneven = [
        finding("WKC102", said.format(len(row), len(header)), Position(path, line))
        for line, row in lines[1:]
        if len(row) != len(header)
    ]
    if uneven:
        raise WaykeeperError(uneven)
    return [(line, dict(zip(header, row, strict=True))) for line, row in lines[1:]]


def _lines(path: str) -> list[tuple[int, list[str]]]:
    try:
        text = read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise WaykeeperError(finding("WKC102", "not UTF-8", Position(path), "Save the file as CSV in UTF-8.")) from None
    if not text.strip():
        raise WaykeeperError(finding("WKC102", "the file is empty", Position(path)))
    first = text.strip().splitlines()[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        found = [(reader.line_num, [cell.strip() for cell in row]) for row in reader if any(map(str.strip, row))]
    except csv.Error as error:
        raise WaykeeperError(finding("WKC102", f"no CSV: {error}", Position(path, reader.line_num))) from None
    if not found:
        raise WaykeeperError(finding("WKC102", "the table has no header", Position(path)))
    return found


def _known(header: Sequence[str], columns: Columns, place: Position) -> None:
    lacking = [name for name in columns.needed if name not in header]
    if lacking:
        details = f"the table has no column {' and no column '.join(lacking)}"
        raise WaykeeperError(finding("WKC102", details, place, f"Name the columns: {','.join(columns.needed)}."))
    found: list[Finding] = []
    for name in dict.fromkeys(header):
        if header.count(name) > 1:
            found.append(finding("WKC102", f"the column {name!r} stands twice", place))
        elif name not in columns.known and name not in columns.others:
            hint = did_you_mean(name, columns.known)
            found.append(finding("WKC102", f"the column {name!r} is not known", place, hint))
    if found:
        raise WaykeeperError(found)
