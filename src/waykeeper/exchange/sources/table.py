"""A CSV file by its mapping: rows with their line, cells with their column; no row is lost."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from waykeeper.exchange.files import is_utf16, read_bytes
from waykeeper.exchange.sources.mapping import DELIMITERS, Table
from waykeeper.findings import Finding, Position, WaykeeperError, did_you_mean, finding

# 7E12345 may be a number as somebody gave it; a program that leaves the plus out writes a point (1.0E11).
_QUANTITY = re.compile(r"\d+[.,]0+|\d[.,]\d+E\+?\d+|\dE\+\d+", re.IGNORECASE)
# How lists write that an operation does not take place (common practice, no source).
_OFF = re.compile(
    r"\b(?:canc(?:el(?!lous)\w*|l?e?d)?|cncl\w*|cnx|cxl?d?|no[\s_-]*show\w*|did[\s_-]*not[\s_-]*attend"
    r"|dna(?!\W*(?:cpr|r)\b)|entered[\s_-]*in[\s_-]*error|withdrawn|deleted|abandoned"
    r"|(?:postpon|defer)\w*(?!\s+from\b)|(?:removed|struck)\s+from|(?:removed|taken|struck|crossed)\s+(?:off|out))\b"
    r"|^\W*(?:postpon|defer)|^\W*(?:(?:case|op|pt|patient)\W+)?removed\W*$",
    re.IGNORECASE,
)
_CROSSED_OUT = re.compile(
    r"\W*(?:(?:case|op(?:eration)?|pt|patient)\W+)?(?:cancel+ed|postponed|cnx)\b(?!\s+previously).*",
    re.IGNORECASE | re.DOTALL,
)
# behind the operation only after a mark of its own, or in capitals
_CROSSED_OUT_BEHIND = re.compile(
    r"(?:[^\w\s']\s*(?=(?i:cancel|postpon|cnx))|\s(?=CANCEL|POSTPON|CNX))(?i:cancel+ed|postponed|cnx)\W*$"
)
_WRITTEN_TOGETHER = re.compile(r"(?<=[a-z])(?=[A-Z])|_")  # PATIENT_CANCELLED, WithdrawnByClinic
_NOT_OFF = re.compile(
    r"\b(?:not|no|never|un|no\s+longer)[\s_-]*(?:been\s+)?$"
    r"|\b(?:was|previously|don.?t|may\s+be|(?:after|on)(?:\s+(?:an?|the))?|short[\s-]notice|risk\s+of)\s+$",
    re.IGNORECASE,
)
_AS_TEXT = re.compile(r'="([^"]*)"')
_UNSEEN = " \t\r\n\v\f\u00a0\u200b\u200c\u200d\u200e\u200f\u2060\ufeff"
SPOILT = "the patient's number is written as a quantity (1.2E+11, 100.0): a spreadsheet has changed it"


@dataclass(frozen=True, slots=True)
class Row:
    """One row. `cells` is empty where it could not be read, and `wrong` says why."""

    file: str
    line: int
    cells: Mapping[str, str]
    columns: Mapping[str, int]
    wrong: Finding | None = None

    def __getitem__(self, what: str) -> str:
        """The cell for a purpose, "" where the table has no such column."""
        return self.cells.get(what, "")

    def at(self, what: str) -> Position:
        """The place of a cell."""
        return Position(self.file, self.line, self.columns.get(what, 1))

    @property
    def origin(self) -> str:
        """For the report."""
        return f"line {self.line} of {Path(self.file).name}"


def read_table(path: str, table: Table, optional: Collection[str] = ()) -> Iterator[Row]:
    """The rows of a file, blank ones left out. `optional` names purposes whose column may be missing.

    Raises WaykeeperError: WKC101, WKX401 (not in the stated encoding), WKX405 (no header, a column of the mapping that
    is not there, a quotation mark that is never closed: then nothing after it can be trusted).
    """
    lines = _lines(path, table)
    reader = csv.reader(lines, delimiter=table.delimiter, strict=True)
    header = _header(reader, path)
    wanted = _wanted(header, table, path, optional)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            if reader.line_num >= len(lines):
                said = f"a quotation mark of line {line} is never closed: nothing after it can be read"
                raise WaykeeperError(finding("WKX405", said, Position(path, line), UNCLOSED)) from None
            yield _unreadable(path, line, f"the row cannot be read: {error}")
            continue
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            yield _unreadable(path, line, f"{len(cells)} cells under {len(header)} columns: the row is not read")
            continue
        starts = _starts(lines[line - 1], table.delimiter)
        columns = {what: starts[i] if i < len(starts) else 1 for what, i in wanted.items()}
        yield Row(path, line, {what: _cell(cells[i]) for what, i in wanted.items()}, columns)


def headings(path: str, marks: str) -> tuple[list[str], str]:
    """The headings of a file that no mapping describes, and which of the marks stands between them: raises as above."""
    lines = _lines(path, Table())
    first = next(iter(lines), "")
    mark = max(marks, key=lambda mark: len(_starts(first, mark)))
    return _header(csv.reader(lines, delimiter=mark, strict=True), path), mark


def spoilt(number: str) -> bool:
    """Whether a spreadsheet took a patient's number for a quantity: 1.23457E+11 has lost digits, 10045.0 has more."""
    return _QUANTITY.fullmatch(number) is not None


def not_set(cell: str) -> bool:
    """Whether a cell cannot be a day or an hour, however it is written: blank, TBC, TBA, AM list; it has no digit."""
    return not any(char.isdigit() for char in cell)


def called_off(status: str) -> bool:
    """Whether a list's word for the state of an operation says that it is off; `not cancelled` does not."""
    said = _WRITTEN_TOGETHER.sub(" ", status)
    return any(not _NOT_OFF.search(said[: found.start()]) for found in _OFF.finditer(said))


def crossed_out(cell: str) -> bool:
    """Whether any other cell begins or ends by saying so: `*** CANCELLED *** ankle`, `Ankle - CANCELLED`."""
    behind = _CROSSED_OUT_BEHIND.search(cell)
    if behind and not _NOT_OFF.search(f"{cell[: behind.start()]} "):
        return True
    return _CROSSED_OUT.fullmatch(cell) is not None


def comparable(text: str) -> str:
    """A heading or a word of a list, without what one program writes otherwise than another: blanks, dots, case."""
    return re.sub(r"[\s._-]", "", text).lower()


def _cell(text: str) -> str:
    """A cell without what nobody sees, and without the sign by which a spreadsheet keeps a text: ="00123"."""
    text = text.strip(_UNSEEN)
    kept = _AS_TEXT.fullmatch(text)
    return kept[1].strip() if kept else text


def _unreadable(path: str, line: int, said: str) -> Row:
    return Row(path, line, {}, {}, finding("WKX407", said, Position(path, line, 1)))


UNCLOSED = "Close it, or write it twice where it belongs to the text; or export the file again."


def _lines(path: str, table: Table) -> list[str]:
    encoding = "utf-8-sig" if table.encoding == "utf-8" else table.encoding
    data = read_bytes(path)
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        where = Position(path, data[: error.start].count(b"\n") + 1)
        raise WaykeeperError(finding("WKX401", f"not {table.encoding}", where, help=_in_two_bytes(data))) from None
    if "\0" in text:
        said = f"not {table.encoding}: null characters"
        raise WaykeeperError(finding("WKX401", said, Position(path), help=_in_two_bytes(data)))
    return list(io.StringIO(text.replace("\r\n", "\n").replace("\r", "\n")))


def _in_two_bytes(data: bytes) -> str:
    """The remedy for what a spreadsheet saved as "Unicode text"; "" for anything else."""
    return "The file is UTF-16: write `encoding: utf-16` into the mapping." if is_utf16(data) else ""


def _header(reader: Iterator[list[str]], path: str) -> list[str]:
    try:
        header = next(reader, [])
    except csv.Error as error:
        raise WaykeeperError(finding("WKX405", f"the header cannot be read: {error}", Position(path, 1))) from None
    if not any(name.strip() for name in header):
        raise WaykeeperError(finding("WKX405", "there is no header in the first line", Position(path, 1)))
    return [name.strip() for name in header]


def _wanted(header: Sequence[str], table: Table, path: str, optional: Collection[str]) -> dict[str, int]:
    """Purpose -> number of its column; several for the text are `words`, `words2` ..."""
    named = [*table.columns.items(), *((f"words{n or ''}", name) for n, name in enumerate(table.words))]
    named = [(what, name) for what, name in named if what not in optional or name in header]
    found: list[Finding] = []
    for _, name in named:
        if header.count(name) != 1:
            many = "is there twice" if header.count(name) else "is not there"
            hint = _hint(name, header, table)
            found.append(finding("WKX405", f"the column {name!r} {many}", Position(path, 1), hint))
    if found:
        other = _other_mark(header, table)  # one slip is one finding
        raise WaykeeperError(found[:1] if other else found)
    return {what: header.index(name) for what, name in named}


def _other_mark(header: Sequence[str], table: Table) -> str:
    """The mark between the cells, where it is not the one that the mapping states."""
    if len(header) > 1 or table.delimiter in header[0]:
        return ""
    return next((word for word, mark in DELIMITERS.items() if mark in header[0]), "")


def _hint(name: str, header: Sequence[str], table: Table) -> str:
    if other := _other_mark(header, table):
        return f"The header holds a {other}: say delimiter: {other} in the mapping."
    near = did_you_mean(name, header)
    return near if near.startswith("Did") else ""  # a file without a header would have its first patient listed here


def _starts(line: str, delimiter: str) -> list[int]:
    """1-based column of each cell of a line."""
    starts, quoted = [1], False
    for number, char in enumerate(line, 1):
        if char == '"':
            quoted = not quoted
        elif char == delimiter and not quoted:
            starts.append(number + 1)
    return starts
