"""HL7 v2 files -> messages -> segments, fields and components (HL7 v2.5.1 chapter 2).

Written here because what reads patients' messages may neither print what it cannot read nor stop at an escape sequence
that a site made up: both happened with a library.
"""

from __future__ import annotations

import re
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from functools import cache
from typing import NamedTuple

from waykeeper.exchange.files import is_utf16, read_bytes
from waykeeper.findings import Finding, Position, WaykeeperError, finding

ENVELOPE = (b"FHS", b"BHS", b"BTS", b"FTS")  # file and batch (HL7 v2.5.1 chapter 2, batch protocol)
BLOCK, END_OF_BLOCK = b"\x0b", b"\x1c"  # MLLP, where a log was written as it came over the wire
MARK = b"\xef\xbb\xbf"  # of UTF-8, which some programs put before a file; files are also put together
_NAME = re.compile(rb"[A-Z][A-Z0-9]{2}")
_HEADER = re.compile(rb"MSH([^A-Za-z0-9\s])(?:\^~|[^A-Za-z0-9\s]{2,5}\1)")
_HEADERS = (b"MSH", *ENVELOPE)
_HEADER_TEXT = ("MSH", "FHS", "BHS")
PATIENT = 3  # the field of PID with the patient's numbers
NULL = '""'  # deletes a value (HL7 v2.5.1 chapter 2, delete indicator)


class Raw(NamedTuple):
    """One message of a file: the line on which it begins, its bytes, and whether the file ends or is cut inside it."""

    line: int
    data: bytes
    cut: bool = False


@dataclass
class _File:
    """What is known of a file while its lines are read."""

    path: str
    framed: bool
    messages: list[tuple[int, list[bytes]]] = field(default_factory=list)
    cut: set[int] = field(default_factory=set)
    open_block: bool = False
    batches: int = 0
    since: int = -1  # messages before the batch that is open; -1: none is
    opened: dict[bytes, int] = field(default_factory=dict)  # FHS, BHS -> its line
    stray: list[int] = field(default_factory=list)
    bar: bytes = b"|"

    def segment(self, line: bytes) -> bool:
        """Whether a line is a segment: a name, and then nothing or the separator of the message that is read."""
        return _NAME.match(line) is not None and line[3:4] in (b"", self.bar)


def messages_of(path: str) -> tuple[list[Raw], list[Finding]]:
    """The messages of a file or batch, and what was noticed of the file.

    Raises WaykeeperError WKX414 where there is no message, or fewer or more than a trailer says (BTS-1, FTS-1).
    """
    data = read_bytes(path)
    if is_utf16(data):
        raise WaykeeperError(finding("WKX414", "the file is UTF-16", Position(path), "Save it as UTF-8."))
    data = data.replace(b"\r\n", b"\r").replace(b"\n", b"\r")
    read = _File(path, END_OF_BLOCK in data)
    blocks = BLOCK in data or read.framed
    for number, line in enumerate(data.split(b"\r"), 1):
        if not blocks and read.messages and line[:3] not in _HEADERS and read.segment(line):
            read.messages[-1][1].append(line)  # as _line has it, by the shortest way: nearly all lines of a feed
        else:
            _line(read, number, line)
    if not read.messages:
        raise WaykeeperError(finding("WKX414", "there is no message in it", Position(path)))
    if read.open_block or _ends_inside(read, data):
        read.cut.add(len(read.messages) - 1)
    found = [Raw(n, b"\r".join(lines), at in read.cut) for at, (n, lines) in enumerate(read.messages)]
    return found, _noticed(read)


def _line(read: _File, number: int, line: bytes) -> None:
    begins = BLOCK in line
    ended = END_OF_BLOCK in line
    line = line.replace(BLOCK, b"").replace(END_OF_BLOCK, b"")
    plain = line.removeprefix(MARK).lstrip(b" \t").removeprefix(MARK)
    header = plain if plain.startswith(b"MSH") else _inside(read, plain)
    if begins or header:
        if read.open_block:
            read.cut.add(len(read.messages) - 1)
        read.open_block = begins and read.framed
    if header:
        read.bar = header[3:4]
        read.messages.append((number, [header]))
    elif plain.startswith(ENVELOPE):
        _envelope(read, number, plain)
    elif plain.strip():
        if not read.messages:
            raise WaykeeperError(
                finding("WKX414", "no HL7 v2: it does not begin with MSH", Position(read.path, number))
            )
        if read.segment(line):
            read.messages[-1][1].append(line)
        else:
            read.stray.append(number)
    if ended:
        read.open_block = False


def _inside(read: _File, line: bytes) -> bytes:
    """A message that begins inside a line which is no segment: a log wrote something before it."""
    found = None if read.segment(line) else _HEADER.search(line)
    return line[found.start() :] if found else b""


def _envelope(read: _File, number: int, line: bytes) -> None:
    kind = line[:3]
    said = line[4:].split(line[3:4])[0].strip() if len(line) > 4 else b""
    if kind == b"BHS":
        read.batches += 1
        read.since = len(read.messages)
    if kind in (b"FHS", b"BHS"):
        read.opened[kind] = number
        return
    if kind == b"BTS":
        seen = len(read.messages) - max(read.since, 0)
        read.opened.pop(b"BHS", None)
        if said.isdigit() and int(said) != seen:
            details = f"the batch says {int(said)} messages (BTS-1), {seen} are there"
            raise WaykeeperError(finding("WKX414", details, Position(read.path, number)))
        return
    read.opened.pop(b"FHS", None)
    if said.isdigit() and int(said) not in (read.batches, len(read.messages)):  # some count messages
        details = f"the file says {int(said)} batches (FTS-1), {read.batches} are there"
        raise WaykeeperError(finding("WKX414", details, Position(read.path, number)))


def _ends_inside(read: _File, data: bytes) -> bool:
    """The last line has no end, and its message lacks what follows the patient (SIU_S12: RGS is required).

    Some senders leave that out: then every message of the file ends with PID, and this one after the patient's number.
    """
    *before, last = [lines[-1] for _, lines in read.messages]
    if data.endswith((b"\r", END_OF_BLOCK)) or last[:3] not in (b"MSH", b"SCH", b"PID"):
        return False
    left_out = bool(before) and all(line.startswith(b"PID") for line in (*before, last))
    return not (left_out and last.count(read.bar) > PATIENT)


def _noticed(read: _File) -> list[Finding]:
    found = [
        finding(
            "WKX414",
            f"{kind.decode()} has no {kind.decode()[0]}TS: the file may be cut, and what is missing may be a"
            " cancellation",
            Position(read.path, line),
        )
        for kind, line in sorted(read.opened.items())
    ]
    if read.stray:
        more = f", and {len(read.stray) - 1} more" if len(read.stray) > 1 else ""
        said = f"the line is no segment and is not read{more}"
        found.append(finding("WKX424", said, Position(read.path, read.stray[0])))
    return found


class Message:
    """The segments of one message, and how its sender separates and escapes (MSH-1, MSH-2)."""

    def __init__(self, text: str, encoding: str = "utf-8") -> None:
        """Raises ValueError where MSH-1 and MSH-2 do not say how the message is separated."""
        self.bar, marks = text[3:4], text[4 : max(text.find(text[3:4], 4), 4)]
        named = [self.bar, *marks]
        if not self.bar or not marks or len(set(named)) != len(named) or any(c.isalnum() or c.isspace() for c in named):
            raise ValueError("MSH-1 and MSH-2 do not say how the message is separated")
        self.component, self.repetition, self.escape, self.subcomponent = (*marks[:4], *[""] * (4 - len(marks[:4])))
        self.encoding = encoding
        self.segments: list[list[str]] = []
        self.named: dict[str, list[list[str]]] = {}
        for line in text.split("\r"):
            fields = line.split(self.bar)
            if fields[0] in _HEADER_TEXT:
                fields.insert(1, self.bar)
            self.segments.append(fields)
            self.named.setdefault(fields[0].strip(), []).append(fields)

    def count(self, segment: str) -> int:
        """How many segments of this name there are."""
        return len(self.named.get(segment, ()))

    def repetitions(self, segment: str, number: int, at: int = 1) -> int:
        """How often a field is repeated in the segment of this number."""
        said = self._field(segment, number, at)
        return (said.count(self.repetition) if self.repetition else 0) + 1 if said else 0

    def value(self, segment: str, number: int, component: int = 1, repetition: int = 1, at: int = 1,
              sub: int = 1) -> str:  # fmt: skip
        """One component (its first part) of field `number` of the segment `at`, unescaped; "" where there is none."""
        found = self.named.get(segment, ())
        said = found[at - 1][number] if len(found) >= at and len(found[at - 1]) > number else ""
        if not said:
            return ""
        if not said.isalnum():  # a feed asks a hundred times a message, mostly for a plain word
            said = _part(said, self.repetition, repetition)
            said = _part(_part(said, self.component, component), self.subcomponent, sub)
            text = self._unescaped(said).strip()
            return "" if text == NULL else text
        return said if repetition == component == sub == 1 else ""

    def deleted(self, segment: str, number: int, component: int = 1) -> bool:
        """Whether the sender says that there is no such value any more."""
        said = self._field(segment, number, 1).strip()
        return said == NULL or _part(said, self.component, component).strip() == NULL

    def _field(self, segment: str, number: int, at: int) -> str:
        found = self.named.get(segment, ())
        return found[at - 1][number] if len(found) >= at and len(found[at - 1]) > number else ""

    def _unescaped(self, text: str) -> str:
        if not self.escape or self.escape not in text:
            return text
        marks = {"F": self.bar, "S": self.component, "T": self.subcomponent, "R": self.repetition, "E": self.escape}
        return _escapes(self.escape).sub(lambda m: _meant(m[1], m[0], marks, self.encoding), text)


def _part(text: str, mark: str, number: int) -> str:
    """The part of this number, of a text that a mark divides; most texts have no mark, and a feed asks millions."""
    if not mark or mark not in text:
        return text if number == 1 else ""
    parts = text.split(mark)
    return parts[number - 1] if len(parts) >= number else ""


@cache
def _escapes(mark: str) -> re.Pattern[str]:
    """Escape sequences (HL7 v2.5.1 chapter 2, use of escape sequences in text fields)."""
    sign = re.escape(mark)
    return re.compile(rf"{sign}([FSTREHN]|X(?:[0-9A-Fa-f]{{2}})+|\.[a-z]{{2}}[+-]?[0-9]{{0,3}}){sign}")


def _meant(said: str, whole: str, marks: Map[str, str], encoding: str) -> str:
    """What an escape sequence stands for; one that is not known here stays as it is written, never cut away."""
    if said in marks:
        return marks[said]
    if said[0] == "X":
        try:
            text = bytes.fromhex(said[1:]).decode(encoding)
        except UnicodeDecodeError:
            return whole
        return "".join(c if c.isprintable() else " " for c in text)
    return " " if said[0] == "." else ""  # a new line or a blank; the beginning or end of what is highlighted
