"""HL7 v2 SIU messages (chapter 10 of HL7 v2.5.1) -> what they say of bookings; the latest by message time wins."""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Mapping as Map
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from functools import cache, cached_property, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from waykeeper.exchange.sources.mapping import CANCELLED_BY, Mapping, status_to_add, word
from waykeeper.exchange.sources.merged import joined
from waykeeper.exchange.sources.model import UNREADABLE, Bookings, Reading, Statement
from waykeeper.exchange.sources.people import for_each
from waykeeper.exchange.sources.segments import Message, Raw, messages_of
from waykeeper.exchange.sources.settling import TOLD_SINGLY, sent_again, settled
from waykeeper.exchange.sources.siu_numbers import Numbers, entity, numbered
from waykeeper.exchange.sources.times import When, end_of, local, repeated
from waykeeper.fhir.evidence import at_a_distance
from waykeeper.findings import Finding, Position, did_you_mean, finding
from waykeeper.plan.model import Evidence

# The fields with the patient's identifiers, the list first. The others were withdrawn in version 2.7; older senders put
# the number of the record there (HL7 v2.5.1 chapter 3: PID-2 and MRG-4, PID-4 and MRG-2).
IDENTIFIERS = {"PID": (3, 2, 4), "MRG": (1, 4, 2)}
NEW = "S12"  # notification of a new appointment
NO_AUTHORITY = '"" (none)'  # as the mapping names what is given by nobody
TAKEN_BACK = ("S15", "S17")  # cancellation and deletion of an appointment (HL7 v2.5.1 chapter 10)
SERVICES, RESOURCES = ("AIS", 4), (("AIG", 8), ("AIL", 6), ("AIP", 6))  # each with the field of its start
DELETED = "D"  # AIS-2: the service is taken off the appointment (HL7 v2.5.1 table 0206)
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
    Raises WaykeeperError: WKX414 where a file holds no HL7 v2 message or a batch lacks some.
    """
    reading = Reading()
    numbers: list[Numbers] = []
    sent: list[tuple[str, ...]] = []
    for path in paths:
        found, noticed = messages_of(path)
        reading.findings += noticed
        for raw in found:
            reading.read += 1
            message = _Message(path, raw, mapping, clinic_zone, reading)
            message.add()
            added = len(reading.statements) - len(numbers)
            numbers += [message.numbers] * added
            sent += [message.sent] * added
    reading.findings = _few_trials(reading.findings)
    told, reading.statements = reading.statements, sent_again(reading.statements, sent)
    reading.findings += _one_control_id(told, reading.statements, sent)
    known = joined((s.evidence for s in reading.statements), reading.merged)
    named = [s if e is s.evidence else replace(s, evidence=e) for s, e in zip(reading.statements, known, strict=True)]
    reading.findings += [
        _by_other_number(s) for s, before in zip(named, reading.statements, strict=True) if s is not before
    ]
    reading.statements, noticed = numbered(named, numbers)
    reading.findings += noticed
    return settled(reading)


@cache
def _name(path: str) -> str:
    return Path(path).name


def _few_trials(found: Sequence[Finding]) -> list[Finding]:
    """A feed of a test system is told by its first messages and their number, not line by line."""
    trials = [one for one in found if one.code == "WKX423"]
    if len(trials) <= TOLD_SINGLY:
        return list(found)
    more = finding("WKX423", f"{len(trials) - TOLD_SINGLY} more messages are no production", trials[-1].position)
    return [*(one for one in found if one.code != "WKX423"), *trials[:TOLD_SINGLY], more]


def _one_control_id(
    told: Sequence[Statement], now: Sequence[Statement], sent: Sequence[tuple[str, ...]]
) -> list[Finding]:
    """Where messages that may have come again have a control id that tells nothing: others have it that say else."""
    said: defaultdict[tuple[str, ...], set[tuple[str, ...]]] = defaultdict(set)
    doubtful: dict[tuple[str, ...], Position] = {}
    for before, after, key in zip(told, now, sent, strict=True):
        if key:
            said[key[:3]].add(key)
        if after is not before:
            doubtful.setdefault(key[:3], before.place)
    details = "the control id (MSH-10) of several messages that say different things, of which one came more than once"
    return [finding("WKX428", details, place) for of, place in doubtful.items() if len(said[of]) > 1]


def _by_other_number(one: Statement) -> Finding:
    return finding("WKX422", f"the patient goes by {' and '.join(one.evidence.patient)}", one.place)


def _parsed(raw: Raw, stated: str) -> Message:
    """A message in its own character set (MSH-18), else in the stated one.

    Raises _UnknownCharsetError, UnicodeDecodeError, ValueError.
    """
    fields = raw.data.split(b"\r", 1)[0].split(raw.data[3:4] or b"|")
    named = fields[17].decode("ascii", "replace").split("~")[0].strip().upper() if len(fields) > 17 else ""
    encoding = table()["charsets"].get(named) if named else stated
    if encoding is None:
        raise _UnknownCharsetError(f"the character set {named!r} (MSH-18) is not read")
    return Message(raw.data.decode(encoding), encoding)


@dataclass
class _Message:
    """One message while it is read."""

    path: str
    raw: Raw
    mapping: Mapping
    clinic: str
    reading: Reading
    message: Message | None = None

    @property
    def place(self) -> Position:
        return Position(self.path, self.raw.line)

    @property
    def origin(self) -> str:
        return f"the message in line {self.raw.line} of {_name(self.path)}"

    def add(self) -> None:
        """Read it; what cannot be read is kept as something for a person."""
        try:
            self.message = _parsed(self.raw, self.mapping.hl7_encoding)
        except UnicodeDecodeError:
            said = self.mapping.hl7_encoding
            self._unreadable(
                "the message is not in its character set (MSH-18)",
                f"Where it names none, it is read as {said}: state another under hl7.encoding of the mapping.",
            )
            return
        except _UnknownCharsetError as error:
            self._unreadable(str(error))
            return
        except ValueError as error:
            self._unreadable(str(error))
            return
        kind, event = self.value("MSH", 9, 1).upper(), self.event
        if not kind:
            self._unreadable("it does not say what it is (MSH-9)")
            return
        if self.raw.cut and kind in ("SIU", "ADT"):
            self._unreadable(
                "the file is cut off inside the message",
                "Get the file again; where it is whole, end its last line, or its MLLP block.",
            )
            return
        if kind == "ADT" and event in table()["merges"]:
            self.reading.others += 1
            if self._trial:
                self._say("WKX423", f"the message is no production (MSH-11 is {self._trial}), and joins nobody")
            else:
                self._merge()
            return
        if kind == "ADT" and event in table()["passed"]:
            self.reading.others += 1
            self._say("WKX427", f"ADT^{event} {table()['passed'][event]}: it joins nobody here")
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

    def value(
        self, segment: str, field: int, component: int = 1, repetition: int = 1, number: int = 1, sub: int = 1
    ) -> str:
        """One component of the segment of this number, unescaped; "" where there is none or it is deleted."""
        if self.message is None:
            return ""
        return self.message.value(segment, field, component, repetition, number, sub)

    @cached_property
    def event(self) -> str:
        """What happened (MSH-9.2)."""
        return self.value("MSH", 9, 2).upper()

    @cached_property
    def numbers(self) -> Numbers:
        """The placer's and the filler's number of the appointment (SCH-1, SCH-2; both EI), and which of a series."""
        placer, filler = (tuple(self.value("SCH", field, part) for part in (1, 2, 3)) for field in (1, 2))
        return Numbers(entity(*placer), entity(*filler), self.value("SCH", 3).lstrip("0"), self.event == NEW)

    @property
    def sent(self) -> tuple[str, ...]:
        """By what a message that is sent again is known: who sent it, its control id (MSH-10), and all that it says."""
        control = self.value("MSH", 10)
        body = hashlib.sha256(self.raw.data.partition(b"\r")[2]).hexdigest()
        return (self.value("MSH", 3), self.value("MSH", 4), control, self.value("MSH", 9, 2), body) if control else ()

    @property
    def _trial(self) -> str:
        """MSH-11 where it is not production (table 0103: D debugging, T training) and the mapping does not take it."""
        said = self.value("MSH", 11).upper()
        return said if said in ("D", "T") and said not in self.mapping.hl7_processing else ""

    def _say(self, code: str, details: str, hint: str = "") -> None:
        self.reading.findings.append(finding(code, details, self.place, hint))

    def _unreadable(self, details: str, hint: str = "") -> None:
        self._say("WKX407", details, hint)
        blank = Evidence(f"{_name(self.path)}:{self.raw.line}", "appointment", UNREADABLE, origin=self.origin)
        self.reading.statements.append(Statement(blank, self.place))

    def _statements(self, meant: str) -> list[Statement]:
        """What the message says of each patient: PID repeats, once for each who takes part (SIU_S12)."""
        patients = self._patients()
        one = self._evidence(meant, patients[0] if len(patients) == 1 else ())
        made, span = self._made()
        revokes = self.event in TAKEN_BACK
        undated = not revokes and one.status != UNREADABLE and one.day is None and not self._undated()
        each = for_each(one, patients)
        return [Statement(e, self.place, self.numbers.booking, made, revokes, span, undated) for e in each]

    def _evidence(self, meant: str, patient: tuple[str, ...]) -> Evidence:
        """The booking of the patient, of whom several are told apart later."""
        start, readable = self._start()
        status, fell = self._status(meant)
        status = self._doubted(status) if readable else UNREADABLE
        minutes = self._minutes()
        name, booking = _name(self.path), self.numbers.booking
        if not booking:
            self._say("WKX407", "the message has neither SCH-2 nor SCH-1: later ones cannot replace it")
        orders = dict.fromkeys(o for field in (26, 27) for o in self._repeated("SCH", field))
        types = [t for n in self._services for t in self._coded("AIS", 3, n)] or self._coded("SCH", 8)
        return Evidence(
            reference=f"{name}#{booking}" if booking else f"{name}:{self.raw.line}",
            kind="appointment",
            status=status,
            patient=patient,
            day=start.day,
            start=start.at,
            end=end_of(start.at, minutes) if start.at and minutes is not None else None,
            links=tuple(f for order in orders for f in self.mapping.named("order", order)),
            identifiers=self.mapping.named("booking", self.value("SCH", 2) or self.value("SCH", 1)),
            service_types=tuple(dict.fromkeys(types)),
            specialties=self.mapping.named("specialty", self.value("SCH", 5)),
            text=self._text(),
            practitioner=tuple(p for p in (self.value("AIP", 3),) if p),
            minutes=minutes,
            telehealth=at_a_distance(" | ".join(self._called)),
            site=self.value("AIL", 3, 4) or self.value("AIL", 3, 1),
            fell=fell,
            origin=self.origin,
        )

    def _coded(self, segment: str, field: int, number: int = 1) -> list[str]:
        """A coded element (CE) as codes of the mapping's system, and of a published one that it names itself.

        The second triplet counts only where it names one: of what it is else nothing is known.
        """
        own = self.mapping.named("type", self.value(segment, field, number=number))
        systems = table()["coding_systems"]
        triplets = [[self.value(segment, field, at + part, number=number) for part in (0, 2)] for at in (1, 4)]
        return [
            *own,
            *(f"{systems[name.upper()]}|{code}" for code, name in triplets if code and name.upper() in systems),
        ]

    def _doubted(self, status: str) -> str:
        """The status, doubtful where the message is of a trial, or speaks of several appointments."""
        if self._trial:
            details = f"the message is no production (MSH-11 is {self._trial})"
            self._say("WKX423", details)
            return f"unclear ({status}, {self._trial})"
        if self._count("SCH") > 1:
            self._say(
                "WKX408", f"the message has {self._count('SCH')} segments SCH, and a message is of one appointment"
            )
            return f"unclear ({status}, and others)"
        return status

    def _made(self) -> tuple[tuple[int, datetime | None] | None, timedelta]:
        """When it was said (MSH-7), and how much later it may have been: in its minute, or in a repeated hour."""
        stamp, readable = self._stamp("MSH", 7, 1)
        if not readable or not stamp.at:
            return None, timedelta()
        self._offset()
        said = _STAMP.match(self.value("MSH", 7))
        parts = said.groups() if said else ()
        span = timedelta(seconds=0 if parts[5] else 59 if parts[4] else 3599)
        return (0, stamp.at), span + (timedelta() if parts[6] else repeated(stamp.at, self.mapping.zone))

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
        for number in range(1, max(self._count("PID"), 1) + 1):
            names = self._identifiers("PID", number)
            if not any({*names} & {*others} for others in found):
                found.append(names)
        return found

    def _count(self, segment: str) -> int:
        return self.message.count(segment) if self.message is not None else 0

    def _repetitions(self, segment: str, field: int, number: int = 1) -> range:
        """The numbers of the repetitions of a field, from 1."""
        many = self.message.repetitions(segment, field, number) if self.message is not None else 0
        return range(1, many + 1)

    def _repeated(self, segment: str, field: int, component: int = 1, number: int = 1) -> list[str]:
        """A component in each repetition of a field, those that say something."""
        found = [self.value(segment, field, component, n, number) for n in self._repetitions(segment, field, number)]
        return [one for one in found if one]

    @cached_property
    def _services(self) -> list[int]:
        """The AIS segments that stand; all of them where every one is taken off, as a cancellation may say."""
        every = range(1, self._count("AIS") + 1)
        return [n for n in every if self.value("AIS", 2, number=n).upper() != DELETED] or list(every)

    def _merge(self) -> None:
        """Each MRG segment follows the PID of the patient who is left; in MRG are the numbers that were hers as well.

        In another order nobody could say which PID an MRG belongs to, so nobody is joined.
        """
        every = self.message.segments if self.message is not None else []
        names = [segment[0] for segment in every if segment[0] in IDENTIFIERS]
        if names != ["PID", "MRG"] * (len(names) // 2) or not names:
            self._say("WKX407", "a message that makes numbers one patient's has a PID and then an MRG for each")
            return
        of = table()["merges"][self.event]
        for number in range(1, len(names) // 2 + 1):
            left, gone = self._identifiers("PID", number, of), self._identifiers("MRG", number, of)
            self.reading.merged += [(*left, *gone)] if left and gone else []

    def _identifiers(self, segment: str, number: int, of: int = 0) -> tuple[str, ...]:
        """The patient's identifiers by their assigning authority (CX.4: namespace, universal id).

        They stand in PID-3 or MRG-1, where it is empty in an older field, whose numbers count only where the mapping
        says what they are: they may be of another system. Numbers of an account, a visit or a guarantor (CX.5) are none
        of the patient, whoever gave them. Where an authority gives several kinds, those of the patient's record count.
        Where none is left it is told.

        of   which of IDENTIFIERS the message speaks of: that one is read beside the list
        """
        known = {word(k): v for k, v in self.mapping.authorities.items()}
        listed, *older = IDENTIFIERS[segment]
        filled = [f for f in (listed, *older) if any(self._repeated(segment, f, number=number))] or [listed]
        fields = tuple(dict.fromkeys((filled[0], *([IDENTIFIERS[segment][of]] if of else []))))
        found: list[tuple[str, str, str]] = []  # system, value, kind
        authorities: set[str] = set()
        others = 0
        for field, repetition in ((f, n) for f in fields for n in self._repetitions(segment, f, number)):
            value, kind = (self.value(segment, field, part, repetition, number) for part in (1, 5))
            names = [n for sub in (1, 2) if (n := self.value(segment, field, 4, repetition, number, sub))]
            authorities.update(names[:1] or ([NO_AUTHORITY] if value else []))
            system = next((known[word(n)] for n in names or [""] if word(n) in known), "")
            if not names and not known and field == listed:
                system = self.mapping.systems["patient"]
            if value and system and kind.upper() in table()["identifiers"]["others"]:
                others += 1
            elif value and system:
                found.append((system, value, kind.upper()))
        if not found:
            named = " or ".join(f"{segment}-{field}" for field in fields)
            details = f"no identifier of {named} has an assigning authority of the mapping"
            there = ", ".join(sorted(authorities)) or "none"
            hint = f"Add them to hl7.authorities of the mapping; the message has: {there}."
            if not authorities:
                details, hint = f"{named} has no identifier", "Have the sender give the number of the patient's record."
            if others:
                details = f"{named} has numbers of an account or a visit only (by their type)"
                hint = "Have the sender give the number of the patient's record (type MR or PI) as well."
            self._say("WKX407", details, hint)
        own = table()["identifiers"]["patient"]
        recorded = {system for system, _, kind in found if kind in own}
        return tuple(dict.fromkeys(f"{s}|{v}" for s, v, kind in found if kind in own or s not in recorded))

    def _starts(self) -> list[tuple[str, int, int, int, int]]:
        """Where a start may stand: SCH-11.4, TQ1-7 (version 2.5 on) and AIS-4, each as often as it is repeated.

        Without any of them that of a resource: AIG-8, AIL-6, AIP-6.
        """
        found = [("SCH", 11, 4, n, 1) for n in self._repetitions("SCH", 11)]
        found += [("TQ1", 7, 1, 1, n) for n in range(1, self._count("TQ1") + 1)]
        found += [(*SERVICES, 1, 1, n) for n in self._services]
        found = [place for place in found if self.value(*place)]
        return found or [
            place for segment, field in RESOURCES for n in range(1, self._count(segment) + 1)
            if self.value(*(place := (segment, field, 1, 1, n)))
        ]  # fmt: skip

    def _undated(self) -> bool:
        """Whether the sender says that the appointment has no time any more ("")."""
        places = (("SCH", 11, 4), ("TQ1", 7, 1), (*SERVICES, 1))
        return self.message is not None and any(self.message.deleted(*place) for place in places)

    def _start(self) -> tuple[When, bool]:
        """Two that name two days contradict each other."""
        told = []
        for place in self._starts():
            when, readable = self._stamp(*place)
            if not readable:
                self._say("WKX407", f"{place[0]}-{place[1]} is no time of HL7 v2 (TS) that names a day")
                return When(), False
            told.append(when)
        if len({w.day for w in told}) > 1:
            self._say("WKX408", "the message names different days (SCH, TQ1, AIS, or a resource)")
            return told[0], False
        return (told[0] if told else When()), True

    def _stamp(
        self, segment: str, field: int, component: int, repetition: int = 1, number: int = 1
    ) -> tuple[When, bool]:
        said = self.value(segment, field, component, repetition, number)
        when, noticed = _moment(said, self.mapping.zone, self.clinic)
        if noticed:
            self.reading.findings.append(replace(noticed, position=self.place))
        return when or When(), when is not None

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
        notes = (self.value("NTE", 3, number=n) for n in range(1, self._count("NTE") + 1))
        return " | ".join(dict.fromkeys(t for t in (*self._called, *notes) if t))

    @cached_property
    def _called(self) -> tuple[str, ...]:
        """What the service is called: reason and type of the appointment, and the services themselves."""
        reason = self.value("SCH", 7, 2) or self.value("SCH", 7, 1)
        return reason, self.value("SCH", 8, 2), *(self.value("AIS", 3, 2, number=n) for n in self._services)

    def _status(self, meant: str) -> tuple[str, str]:
        """The event's meaning, refined by SCH-25 for events that leave it open."""
        code = self.value("SCH", 25) or self.value("SCH", 25, 2)  # CE: some send the words alone
        own = self.mapping.status.get(word(code)) if code else None
        fell = CANCELLED_BY.get(own or "", "")
        filler = ("cancelled" if fell else own) or table()["filler"].get(code.lower())
        if meant:
            if filler == "fulfilled":
                self._say("WKX408", f"{self.event} makes it {meant}, SCH-25 says {code}")
                return f"unclear ({meant}, {filler})", ""
            return meant, fell
        if code and filler is None:
            self._say("WKX404", f"SCH-25 is {code!r}, neither in table 0278 nor in the mapping", status_to_add(code))
            return code, ""
        return filler or "booked", fell


@lru_cache(maxsize=4096)  # a message says its start in several segments
def _moment(text: str, zone: str, clinic: str) -> tuple[When | None, Finding | None]:
    """A TS that names a day, and what was noticed of it (without a place); None for any other text."""
    said = _STAMP.match(text)
    if said is None:
        return None, None
    try:
        wall = _wall(said)
        return local(wall, zone, clinic, Position()) if said[4] else (When(wall.date()), None)
    except (ValueError, OverflowError):  # the first and the last day of the calendar are none in every zone
        return None, None


def _wall(said: re.Match[str]) -> datetime:
    """The time of a TS, with its offset where it has one. Raises ValueError for a day that does not exist."""
    year, month, day, hour, minute, second = (int(part or 0) for part in said.groups()[:6])
    zone = None
    if said[7]:
        sign = -1 if said[7][0] == "-" else 1
        zone = timezone(sign * timedelta(hours=int(said[7][1:3]), minutes=int(said[7][3:5])))
    return datetime(year, month, day, hour, minute, second, tzinfo=zone)
