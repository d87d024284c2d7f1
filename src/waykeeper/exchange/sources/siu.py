"""HL7 v2 SIU messages (chapter 10 of HL7 v2.5.1) -> what they say of bookings; the latest by message time wins."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from collections.abc import Mapping as Map
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from waykeeper.exchange.files import read_bytes
from waykeeper.exchange.sources.mapping import CANCELLED_BY, Mapping, word
from waykeeper.exchange.sources.merged import joined
from waykeeper.exchange.sources.model import UNREADABLE, Bookings, Reading, Statement
from waykeeper.exchange.sources.people import for_each
from waykeeper.exchange.sources.settling import settled
from waykeeper.exchange.sources.siu_numbers import Numbers, entity, numbered
from waykeeper.exchange.sources.times import When, local
from waykeeper.fhir.evidence import at_a_distance
from waykeeper.findings import Finding, Position, WaykeeperError, did_you_mean, finding
from waykeeper.plan.model import Evidence

ENVELOPE = (b"FHS", b"BHS", b"BTS", b"FTS")  # batch and file (HL7 v2.5.1 chapter 2, batch protocol)
IDENTIFIERS = {"PID": 3, "MRG": 1}  # the field with the list of the patient's identifiers (HL7 v2.5.1 chapter 3)
TAKEN_BACK = ("S15", "S17")  # cancellation and deletion of an appointment (HL7 v2.5.1 chapter 10)
MLLP = b"\x0b\x1c"  # start and end of a block, where a log was written as it came over the wire
_STAMP = re.compile(
    r"^(\d{4})(\d{2})(\d{2})(?:(\d{2})(?:(\d{2})(?:(\d{2})(?:\.\d{1,4})?)?)?)?([+-]\d{4})?$"
)  # TS and DTM (HL7 v2.5.1 chapter 2A); year or month alone is no day


@cache
def table() -> Map[str, Map[str, Any]]:
    """siu.yaml: what events and codes mean."""
    import yaml

    text = (files("waykeeper.exchange.sources") / "siu.yaml").read_text("utf-8")
    loaded: Map[str, Map[str, Any]] = yaml.safe_load(text)
    return loaded


class _UnknownCharsetError(ValueError):
    """MSH-18 names a character set that the table does not have."""


def read_messages(paths: Sequence[str], mapping: Mapping, clinic_zone: str) -> Bookings:
    """Every SIU message of the files as evidence, with the numbers that ADT messages made one patient's.

    Messages of other types are listed and left out.
    Raises WaykeeperError: WKX414 where a file holds no HL7 v2 message or a batch lacks some, WKX415 where the library
    that reads HL7 v2 is not installed.
    """
    reading = Reading()
    numbers: list[Numbers] = []
    for path in paths:
        for line, raw in _split(path):
            reading.read += 1
            message = _Message(path, line, raw, mapping, clinic_zone, reading)
            message.add()
            numbers += [message.numbers] * (len(reading.statements) - len(numbers))
    known = joined((s.evidence for s in reading.statements), reading.merged)
    named = [replace(s, evidence=e) for s, e in zip(reading.statements, known, strict=True)]
    reading.findings += [
        _by_other_number(s) for s, before in zip(named, reading.statements, strict=True) if s != before
    ]
    reading.statements, noticed = numbered(named, numbers)
    reading.findings += noticed
    return settled(reading)


def _by_other_number(one: Statement) -> Finding:
    return finding("WKX422", f"the patient goes by {' and '.join(one.evidence.patient)}", one.place)


def _split(path: str) -> Iterator[tuple[int, bytes]]:
    """The messages of a file or batch with the line on which each begins."""
    lines = read_bytes(path).replace(b"\r\n", b"\r").replace(b"\n", b"\r").translate(None, MLLP).split(b"\r")
    found: list[tuple[int, list[bytes]]] = []
    promised: list[tuple[int, int, int]] = []  # line, messages said, messages before
    since = 0
    for number, line in enumerate(lines, 1):
        if line.startswith(b"MSH"):
            found.append((number, [line]))
        elif line.startswith(b"BHS"):
            since = len(found)
        elif line.startswith(b"BTS"):
            promised += _promised(number, line, len(found) - since)
        elif line.startswith(ENVELOPE) or not line.strip():
            continue
        elif not found:
            raise WaykeeperError(finding("WKX414", "no HL7 v2: it does not begin with MSH", Position(path, number)))
        else:
            found[-1][1].append(line)
    if not found:
        raise WaykeeperError(finding("WKX414", "there is no message in it", Position(path)))
    for number, said, seen in promised:
        if said != seen:
            details = f"the batch says {said} messages (BTS-1), {seen} are there"
            raise WaykeeperError(finding("WKX414", details, Position(path, number)))
    for number, message in found:
        yield number, b"\r".join(message) + b"\r"


def _promised(number: int, line: bytes, seen: int) -> Iterator[tuple[int, int, int]]:
    said = line[4:].split(line[3:4])[0].strip() if len(line) > 4 else b""
    if said.isdigit():
        yield number, int(said), seen


def _parsed(raw: bytes, place: Position) -> Any:
    try:
        import hl7
    except ImportError:
        raise WaykeeperError(finding("WKX415", "reading HL7 v2 needs the package hl7", place)) from None
    separator = raw[3:4]
    fields = raw.split(b"\r", 1)[0].split(separator)
    named = fields[17].decode("ascii", "replace").split("~")[0].strip().upper() if len(fields) > 17 else ""
    encoding = table()["charsets"].get(named)
    if encoding is None:
        raise _UnknownCharsetError(f"the character set {named!r} (MSH-18) is not read")
    return hl7.parse(raw.decode(encoding))


@dataclass
class _Message:
    """One message while it is read."""

    path: str
    line: int
    raw: bytes
    mapping: Mapping
    clinic: str
    reading: Reading
    message: Any = None

    @property
    def place(self) -> Position:
        return Position(self.path, self.line)

    @property
    def origin(self) -> str:
        return f"the message in line {self.line} of {Path(self.path).name}"

    def add(self) -> None:
        """Read it; what cannot be read is kept as something for a person."""
        try:
            self.message = _parsed(self.raw, self.place)
        except UnicodeDecodeError:
            self._unreadable("the message is not in its character set (MSH-18)")
            return
        except _UnknownCharsetError as error:
            self._unreadable(str(error))
            return
        except (ValueError, LookupError, AssertionError):  # the library's own words repeat what it read
            self._unreadable("the message cannot be read")
            return
        kind, event = self.value("MSH", 9, 1), self.value("MSH", 9, 2)
        if kind == "ADT" and event in table()["merges"]:
            self.reading.others += 1
            self._merge()
            return
        meant = table()["events"].get(event)
        if kind != "SIU" or meant == "-":
            self.reading.others += 1
            if kind != "SIU":
                self._say("WKX416", f"a message of type {kind}^{event} is no booking")
            return
        if meant is None:
            self._unreadable(f"SIU^{event} is no event that is known", hint=did_you_mean(event, table()["events"]))
            return
        self.reading.statements += self._statements(meant)

    def value(self, segment: str, field: int, component: int = 1, repetition: int = 1, number: int = 1) -> str:
        """One component of the segment of this number, unescaped; "" where there is none."""
        try:
            found = self.message.extract_field(segment, number, field, repetition, component, 1)
        except (KeyError, IndexError):
            return ""
        text = self.message.unescape(str(found)).strip()
        return "" if text == '""' else text  # "" deletes a value (HL7 v2.5.1 chapter 2, delete indicator)

    @property
    def numbers(self) -> Numbers:
        """The placer's and the filler's number of the appointment (SCH-1, SCH-2; both EI)."""
        if self.message is None:
            return Numbers()
        placer, filler = (tuple(self.value("SCH", field, part) for part in (1, 2, 3)) for field in (1, 2))
        return Numbers(entity(*placer), entity(*filler))

    def _say(self, code: str, details: str, hint: str = "") -> None:
        self.reading.findings.append(finding(code, details, self.place, hint))

    def _unreadable(self, details: str, hint: str = "") -> None:
        self._say("WKX407", details, hint)
        blank = Evidence(f"{Path(self.path).name}:{self.line}", "appointment", UNREADABLE, origin=self.origin)
        self.reading.statements.append(Statement(blank, self.place))

    def _statements(self, meant: str) -> list[Statement]:
        """What the message says of each patient: PID repeats, once for each who takes part (SIU_S12)."""
        patients = self._patients()
        one = self._evidence(meant)
        made, revokes = self._made(), self.value("MSH", 9, 2) in TAKEN_BACK
        each = for_each(one, patients) if len(patients) > 1 else [replace(one, patient=p) for p in patients] or [one]
        return [Statement(e, self.place, self.numbers.booking, made, revokes) for e in each]

    def _evidence(self, meant: str) -> Evidence:
        """The booking without its patient."""
        start, readable = self._start()
        status, fell = self._status(meant)
        minutes = self._minutes()
        name, booking = Path(self.path).name, self.numbers.booking
        if not booking:
            self._say("WKX407", "the message has neither SCH-2 nor SCH-1: later ones cannot replace it")
        orders = dict.fromkeys(o for o in (self.value("SCH", 26), self.value("SCH", 27)) if o)
        return Evidence(
            reference=f"{name}#{booking}" if booking else f"{name}:{self.line}",
            kind="appointment",
            status=status if readable else UNREADABLE,
            day=start.day,
            start=start.at,
            end=start.at + timedelta(minutes=minutes) if start.at and minutes is not None else None,
            links=tuple(f for order in orders for f in self.mapping.named("order", order)),
            identifiers=self.mapping.named("booking", self.value("SCH", 2) or self.value("SCH", 1)),
            service_types=self.mapping.named("type", self.value("AIS", 3) or self.value("SCH", 8)),
            specialties=self.mapping.named("specialty", self.value("SCH", 5)),
            text=self._text(),
            practitioner=tuple(p for p in (self.value("AIP", 3),) if p),
            minutes=minutes,
            telehealth=at_a_distance(" | ".join(self._services())),
            site=self.value("AIL", 3, 4) or self.value("AIL", 3, 1),
            fell=fell,
            origin=self.origin,
        )

    def _made(self) -> tuple[int, datetime | None] | None:
        stamp, readable = self._stamp("MSH", 7, 1)
        self._offset()
        return (0, stamp.at) if readable and stamp.at else None

    def _offset(self) -> None:
        """Say where the header's offset is none that the stated zone has then: the zone may be wrong."""
        said = _STAMP.match(self.value("MSH", 7))
        if said is None or not said[7] or not said[4]:
            return
        from zoneinfo import ZoneInfo

        at = _wall(said)
        there = at.astimezone(ZoneInfo(self.mapping.zone)).utcoffset()
        if there != at.utcoffset():
            zone = self.mapping.zone
            self._say("WKX417", f"the header's time has the offset {said[7]}, which {zone} does not have then")

    def _patients(self) -> list[tuple[str, ...]]:
        """The identifiers of each patient, one PID segment each; of a PID that names nobody there are none."""
        found: list[tuple[str, ...]] = []
        for number in range(1, max(self._segments("PID"), 1) + 1):
            names = self._identifiers("PID", number)
            if not any({*names} & {*others} for others in found):
                found.append(names)
        return found

    def _segments(self, segment: str) -> int:
        try:
            return len(self.message.segments(segment))
        except KeyError:
            return 0

    def _merge(self) -> None:
        """Each MRG segment follows the PID of the patient who is left; MRG-1 are the numbers that were hers as well.

        In another order nobody could say which PID an MRG belongs to, so nobody is joined.
        """
        names = [name for segment in self.message if (name := str(segment[0])) in IDENTIFIERS]
        if names != ["PID", "MRG"] * (len(names) // 2) or not names:
            self._say("WKX407", "a message that makes numbers one patient's has a PID and then an MRG for each")
            return
        for number in range(1, len(names) // 2 + 1):
            left, gone = self._identifiers("PID", number), self._identifiers("MRG", number)
            self.reading.merged += [(*left, *gone)] if left and gone else []

    def _identifiers(self, segment: str, number: int) -> tuple[str, ...]:
        """The patient's identifiers of PID-3 or MRG-1 by their assigning authority (CX.4: namespace, universal id).

        Where none has an authority of the mapping it is told, with those that the message has.
        """
        known = {word(k): v for k, v in self.mapping.authorities.items()}
        found: list[str] = []
        authorities: set[str] = set()
        for repetition in range(1, self._repetitions(segment, number) + 1):
            value = self.value(segment, IDENTIFIERS[segment], 1, repetition, number)
            names = [n for n in self._authority(segment, number, repetition) if n]
            authorities.update(names[:1])
            system = next((known[word(n)] for n in names if word(n) in known), "")
            if not names and not known:
                system = self.mapping.systems["patient"]
            found += [f"{system}|{value}"] if value and system else []
        if not found:
            details = f"no identifier of {segment}-{IDENTIFIERS[segment]} has an assigning authority of the mapping"
            there = ", ".join(sorted(authorities)) or "none"
            self._say("WKX407", details, f"Add them to hl7.authorities of the mapping; the message has: {there}.")
        return tuple(dict.fromkeys(found))

    def _repetitions(self, segment: str, number: int) -> int:
        try:
            return len(self.message.segments(segment)[number - 1](IDENTIFIERS[segment]))
        except (KeyError, IndexError):
            return 0

    def _authority(self, segment: str, number: int, repetition: int) -> tuple[str, ...]:
        try:
            part = self.message.segments(segment)[number - 1](IDENTIFIERS[segment])(repetition)(4)
        except (KeyError, IndexError, TypeError):  # TypeError: the field has no components
            return ()
        try:
            return tuple(self.message.unescape(str(one)).strip() for one in part)
        except TypeError:
            return (str(part).strip(),)

    def _start(self) -> tuple[When, bool]:
        """SCH-11.4, else TQ1-7 (version 2.5 on), else AIS-4. Two that name two days contradict each other."""
        told = []
        for segment, field, component in (("SCH", 11, 4), ("TQ1", 7, 1), ("AIS", 4, 1)):
            if self.value(segment, field, component):
                when, readable = self._stamp(segment, field, component)
                if not readable:
                    self._say("WKX407", f"{segment}-{field} is no time of HL7 v2 (TS) that names a day")
                    return When(), False
                told.append(when)
        if len({w.day for w in told}) > 1:
            self._say("WKX408", "SCH, TQ1 and AIS name different days")
            return told[0], False
        return (told[0] if told else When()), True

    def _stamp(self, segment: str, field: int, component: int) -> tuple[When, bool]:
        said = _STAMP.match(self.value(segment, field, component))
        if said is None:
            return When(), False
        try:
            wall = _wall(said)
        except ValueError:
            return When(), False
        if not said[4]:
            return When(wall.date()), True
        when, noticed = local(wall, self.mapping.zone, self.clinic, self.place)
        if noticed:
            self.reading.findings.append(noticed)
        return when, True

    def _minutes(self) -> int | None:
        """SCH-9 with SCH-10, else AIS-7 with AIS-8."""
        for segment, field in (("SCH", 9), ("AIS", 7)):
            number, unit = self.value(segment, field), self.value(segment, field + 1)
            factor = table()["units"].get(unit.lower())
            if number.isascii() and number.isdigit() and factor is not None:
                return int(number) * int(factor)
        return None

    def _text(self) -> str:
        """What people wrote: the service, and notes."""
        return " | ".join(dict.fromkeys(t for t in (*self._services(), self.value("NTE", 3)) if t))

    def _services(self) -> tuple[str, ...]:
        """What the service is called: reason and type of the appointment, and the service itself."""
        reason = self.value("SCH", 7, 2) or self.value("SCH", 7, 1)
        return reason, self.value("SCH", 8, 2), self.value("AIS", 3, 2)

    def _status(self, meant: str) -> tuple[str, str]:
        """The event's meaning, refined by SCH-25 for events that leave it open."""
        code = self.value("SCH", 25)
        own = self.mapping.status.get(word(code)) if code else None
        fell = CANCELLED_BY.get(own or "", "")
        filler = ("cancelled" if fell else own) or table()["filler"].get(code.lower())
        if meant:
            if filler == "fulfilled":
                self._say("WKX408", f"{self.value('MSH', 9, 2)} makes it {meant}, SCH-25 says {code}")
                return f"unclear ({meant}, {filler})", ""
            return meant, fell
        if code and filler is None:
            self._say("WKX404", f"SCH-25 is {code!r}, neither in table 0278 nor in the mapping")
            return code, ""
        return filler or "booked", fell


def _wall(said: re.Match[str]) -> datetime:
    """The time of a TS, with its offset where it has one. Raises ValueError for a day that does not exist."""
    year, month, day, hour, minute, second = (int(part or 0) for part in said.groups()[:6])
    zone = None
    if said[7]:
        sign = -1 if said[7][0] == "-" else 1
        zone = timezone(sign * timedelta(hours=int(said[7][1:3]), minutes=int(said[7][3:5])))
    return datetime(year, month, day, hour, minute, second, tzinfo=zone)
