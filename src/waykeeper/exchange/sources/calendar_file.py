"""iCalendar (RFC 5545) -> what it says of bookings. A calendar knows booked and cancelled, and nothing of attendance
unless a property of the scheduler's own says it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from waykeeper.exchange.files import read_bytes
from waykeeper.exchange.sources.mapping import CANCELLED_BY, Mapping, word
from waykeeper.exchange.sources.model import UNREADABLE, Bookings, Reading, Statement
from waykeeper.exchange.sources.settling import bookings, settle, unclear
from waykeeper.exchange.sources.times import When, local
from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.plan.model import Evidence

MOST_OCCURRENCES = 400  # of one recurring event; a series of visits around an operation has far fewer
STATUS = {"CONFIRMED": "booked", "TENTATIVE": "pending", "CANCELLED": "cancelled", "": "booked"}  # RFC 5545 3.8.1.11
CALLED_OFF = ("cancelled", "noshow", "entered-in-error")
_UNTIL = re.compile(r"UNTIL=(\d{8}T\d{6})Z")


def read_calendar(paths: Sequence[str], mapping: Mapping, clinic_zone: str) -> Bookings:
    """Every event of calendar files as evidence; a recurring event is each of its occurrences.

    Raises WaykeeperError: WKX400 where the mapping has no `ics`, WKX412 where a file is no iCalendar.
    """
    if mapping.ics is None:
        raise WaykeeperError(finding("WKX400", "the mapping has no ics part", Position(mapping.file)))
    reading = Reading()
    events: dict[Position, _Event] = {}
    for path in paths:
        for event in _events(path, mapping, clinic_zone):
            reading.read += 1
            statement = event.statement(reading.findings)
            reading.statements.append(statement)
            events[statement.place] = event
    kept, more = settle(reading.statements)
    moved = {(events[s.place].uid, events[s.place].recurrence_id()) for s in kept}
    evidence = [e for s in kept for e in events[s.place].expanded(s, moved, reading.findings)]
    return bookings(reading, evidence, more, len(reading.statements) - len(kept))


def _events(path: str, mapping: Mapping, clinic_zone: str) -> Iterator[_Event]:
    from icalendar import Calendar

    data = read_bytes(path)
    try:
        text = data.decode("utf-8-sig")
        calendars = Calendar.from_ical(text, multiple=True)
    except (ValueError, KeyError, IndexError, AttributeError, TypeError) as error:
        # the library's own words repeat the line, which may name a patient
        said = (
            "not UTF-8 (RFC 5545 3.1.4)" if isinstance(error, UnicodeDecodeError) else "no iCalendar: a line is broken"
        )
        raise WaykeeperError(finding("WKX412", said, Position(path))) from None
    if not calendars or any(c.name != "VCALENDAR" for c in calendars):
        raise WaykeeperError(finding("WKX412", "no iCalendar: there is no VCALENDAR", Position(path)))
    lines = [n for n, line in enumerate(text.splitlines(), 1) if line.strip().upper() == "BEGIN:VEVENT"]
    found = [(c, e) for c in calendars for e in c.walk("VEVENT")]
    if len(lines) != len(found):
        said = f"{len(lines)} events begin and {len(found)} can be read: an event is broken"
        raise WaykeeperError(finding("WKX412", said, Position(path)))
    for line, (calendar, event) in zip(lines, found, strict=True):
        method = str(calendar.get("METHOD", "")).upper()
        yield _Event(Position(path, line), event, method, mapping, clinic_zone)


@dataclass(frozen=True)
class _Event:
    """One VEVENT with what its file and the mapping say."""

    place: Position
    event: Any
    method: str
    mapping: Mapping
    clinic: str

    @property
    def uid(self) -> str:
        return self._text("UID")

    @property
    def origin(self) -> str:
        return f"the event in line {self.place.line} of {Path(self.place.file).name}"

    def recurrence_id(self) -> str:
        """The occurrence that this event stands for (RFC 5545 3.8.4.4), in UTC; "" for the whole."""
        said = _moment(self.event.get("RECURRENCE-ID"))
        return self._instant_name(said) if said is not None else ""

    def statement(self, found: list[Finding]) -> Statement:
        """The event as it stands, before it is repeated."""
        start, readable = self._start(found)
        end, minutes = self._length(start)
        status, fell = self._status(found)
        broken = sorted({str(name) for name, _ in self.event.errors if name})
        if broken:
            self._say(found, "WKX407", f"{', '.join(broken)} cannot be read")
        patient = self._named(self.mapping.ics_property("patient"), "patient")
        if not patient:
            self._say(found, "WKX407", f"the event has no {self.mapping.ics_property('patient')} that names a patient")
        evidence = Evidence(
            reference=f"{Path(self.place.file).name}{f'#{self.uid}' if self.uid else f':{self.place.line}'}",
            kind="appointment",
            status=status if readable and not broken else UNREADABLE,
            patient=patient,
            day=start.day,
            start=start.at,
            end=end,
            links=self._named(self.mapping.ics_property("order"), "order"),
            identifiers=self.mapping.named("booking", self.uid) if not self.recurrence_id() else (),
            service_types=self._named(self.mapping.ics_property("type"), "type"),
            specialties=self._named(self.mapping.ics_property("specialty"), "specialty"),
            text=" | ".join(t for t in (self._text("SUMMARY"), self._text("DESCRIPTION"), self._categories()) if t),
            minutes=minutes,
            telehealth="CONFERENCE" in self.event,  # RFC 7986 5.11
            site=self._text("LOCATION"),
            fell=fell,
            origin=self.origin,
        )
        key = f"{self.uid}\0{self.recurrence_id()}" if self.uid else ""
        return Statement(evidence, self.place, key, self._made())

    def _made(self) -> tuple[int, datetime | None]:
        """SEQUENCE, then DTSTAMP (RFC 5545 3.8.7.4 and 3.8.7.2); without SEQUENCE it is 0."""
        number, stamp = self._text("SEQUENCE"), _moment(self.event.get("DTSTAMP"))
        aware = stamp if isinstance(stamp, datetime) and stamp.tzinfo else None
        return int(number) if number.lstrip("-").isdigit() else 0, aware

    def _text(self, name: str) -> str:
        said = self.event.get(name) if name else None
        said = said[0] if isinstance(said, list) and said else said
        return " ".join(str(said).split()) if said is not None else ""

    def _categories(self) -> str:
        said = self.event.get("CATEGORIES")
        every = said if isinstance(said, list) else [said] if said is not None else []
        return " | ".join(str(c) for one in every for c in getattr(one, "cats", [one]))

    def _properties(self, name: str) -> list[Any]:
        said = self.event.get(name)
        return said if isinstance(said, list) else [] if said is None else [said]

    def _named(self, wanted: str, system: str) -> tuple[str, ...]:
        """What `NAME` or `NAME;PARAMETER` holds, with its system. An address loses its scheme."""
        name, _, parameter = wanted.partition(";")
        values = []
        for one in self._properties(name) if name else ():
            said = str(one.params.get(parameter, "")) if parameter else str(one)
            values.append(re.sub(r"^mailto:", "", said.strip(), flags=re.IGNORECASE))
        return tuple(f for value in dict.fromkeys(values) for f in self.mapping.named(system, value))

    def _start(self, found: list[Finding]) -> tuple[When, bool]:
        said = self.event.get("DTSTART")
        moment = _moment(said)
        if moment is None:
            self._say(found, "WKX407", "the event has no DTSTART that can be read")
            return When(), said is None
        return self._when(moment, said.params.get("TZID", ""), found)

    def _when(self, moment: date | datetime, zone: str, found: list[Finding]) -> tuple[When, bool]:
        """A day stays a day; a floating time is of the stated zone; a zone that nobody knows makes no instant."""
        if not isinstance(moment, datetime):
            return When(moment), True
        if moment.tzinfo is None and zone:
            self._say(found, "WKX402", f"unknown time zone {zone!r}, and the file does not define it")
            return When(), False
        when, noticed = local(moment, self.mapping.zone, self.clinic, self.place)
        if noticed:
            found.append(noticed)
        return when, True

    def _length(self, start: When) -> tuple[datetime | None, int | None]:
        """DTEND or DURATION (RFC 5545 3.6.1: one of them at most)."""
        end, length = _moment(self.event.get("DTEND")), _moment(self.event.get("DURATION"))
        if start.at is None:
            return None, None
        if isinstance(end, datetime):
            at = self._when(end, "", [])[0].at
            return at, int((at - start.at).total_seconds() // 60) if at else None
        if isinstance(length, timedelta):
            return start.at + length, int(length.total_seconds() // 60)
        return None, None

    def _status(self, found: list[Finding]) -> tuple[str, str]:
        """The calendar's STATUS and METHOD, outranked by the scheduler's own word where there is one."""
        said = self._text("STATUS").upper()
        plain = "cancelled" if self.method == "CANCEL" else STATUS.get(said, "")  # METHOD:CANCEL: RFC 5546 3.2.5
        if not plain:
            self._say(found, "WKX404", f"STATUS is {said!r}, RFC 5545 3.8.1.11 knows CONFIRMED, TENTATIVE, CANCELLED")
            plain = said
        own, fell = self._own(found)
        if own and plain == "cancelled" and own not in CALLED_OFF:
            self._say(found, "WKX408", f"the event is cancelled, the scheduler's own word makes it {own}")
            return f"unclear (cancelled, {own})", ""
        answers = {str(a.params.get("PARTSTAT", "")).upper() for a in self._properties("ATTENDEE")}
        if not own and plain == "booked" and "DECLINED" in answers:  # RFC 5545 3.2.12
            self._say(found, "WKX408", "the event stands and an attendee declined it")
            return "unclear (booked, declined)", ""
        return own or plain, fell

    def _own(self, found: list[Finding]) -> tuple[str, str]:
        name = self.mapping.ics_property("status")
        said = self._text(name)
        if not said:
            return "", ""
        mapped = self.mapping.status.get(word(said))
        if mapped is None:
            self._say(found, "WKX404", f"{name} is {said!r}, which is not in the mapping")
            return said, ""
        return ("cancelled", CANCELLED_BY[mapped]) if mapped in CANCELLED_BY else (mapped, "")

    def _say(self, found: list[Finding], code: str, details: str) -> None:
        found.append(finding(code, details, self.place))

    # recurrence (RFC 5545 3.8.5)

    def expanded(self, said: Statement, moved: set[tuple[str, str]], found: list[Finding]) -> list[Evidence]:
        """The event's evidence, or one for each occurrence that no other event stands for."""
        one = said.evidence
        if self.recurrence_id():
            if str(self.event["RECURRENCE-ID"].params.get("RANGE", "")).upper() == "THISANDFUTURE":
                self._say(found, "WKX413", "RANGE=THISANDFUTURE changes occurrences that are not read so")
                one = unclear(one, f"{one.status}, and later ones")
            return [replace(one, reference=f"{one.reference}/{self.recurrence_id()}")]
        if not {"RRULE", "RDATE"} & set(self.event) or one.day is None:
            return [one]
        walls = self._occurrences(found)
        if not walls:
            return [unclear(one, f"{one.status}, repeated")]
        return [self._occurrence(one, wall) for wall in walls if (self.uid, self._instant_name(wall)) not in moved]

    def _occurrence(self, one: Evidence, wall: date | datetime) -> Evidence:
        when, _ = self._when(wall, "", [])
        end = when.at + (one.end - one.start) if when.at and one.end and one.start else None
        return replace(one, reference=f"{one.reference}/{self._instant_name(wall)}", day=when.day, start=when.at,
                       end=end, identifiers=())  # fmt: skip

    def _occurrences(self, found: list[Finding]) -> list[date | datetime]:
        """Start of each occurrence. Rules count in the wall time of the event's own zone (RFC 5545 3.3.10)."""
        from dateutil.rrule import rruleset, rrulestr

        start = self.event["DTSTART"].dt
        zone = start.tzinfo if isinstance(start, datetime) else None
        plain = start.replace(tzinfo=None) if isinstance(start, datetime) else datetime.combine(start, time())
        rules = rruleset()
        rules.rdate(plain)  # DTSTART is the first of the set
        try:
            for rule in self._properties("RRULE"):
                text = _UNTIL.sub(lambda m: f"UNTIL={_in_zone(m[1], zone)}", rule.to_ical().decode())
                rules.rrule(rrulestr(text, dtstart=plain))  # type: ignore[arg-type] # one rule, never a set
            for name, add in (("RDATE", rules.rdate), ("EXDATE", rules.exdate)):
                for moment in (d.dt for one in self._properties(name) for d in one.dts):
                    add(_wall(moment, zone))
            walls = []
            for wall in rules:
                walls.append(wall)
                if len(walls) > MOST_OCCURRENCES:
                    break
        except (ValueError, TypeError, AttributeError) as error:
            self._say(found, "WKX413", f"the rule of repetition cannot be read ({type(error).__name__})")
            return []
        if len(walls) > MOST_OCCURRENCES:
            self._say(found, "WKX413", f"the event is repeated more than {MOST_OCCURRENCES} times or never ends")
            return []
        return [w.replace(tzinfo=zone) if isinstance(start, datetime) else w.date() for w in walls]

    def _instant_name(self, moment: date | datetime) -> str:
        """A moment as a name: the day, or the instant in UTC."""
        if not isinstance(moment, datetime):
            return moment.strftime("%Y%m%d")
        zoned = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(self.mapping.zone))
        return zoned.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _moment(said: Any) -> Any:
    """The value of a property with a date, a time or a length; None where there is none that can be read."""
    from icalendar.error import BrokenCalendarProperty

    try:
        return getattr(said, "dt", None)
    except BrokenCalendarProperty:
        return None


def _in_zone(text: str, zone: Any) -> str:
    at = datetime.strptime(text, "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    return (at.astimezone(zone) if zone else at).strftime("%Y%m%dT%H%M%S")


def _wall(moment: date | datetime, zone: Any) -> datetime:
    """A moment as wall time of the event's zone."""
    if not isinstance(moment, datetime):
        return datetime.combine(moment, time())
    return moment.astimezone(zone).replace(tzinfo=None) if moment.tzinfo and zone else moment.replace(tzinfo=None)
