"""iCalendar (RFC 5545) -> what it says of bookings. A calendar knows booked and cancelled, and nothing of attendance
unless a property of the scheduler's own says it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from collections.abc import Mapping as Map
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from waykeeper.exchange.files import read_bytes
from waykeeper.exchange.sources.mapping import CANCELLED_BY, Mapping, status_to_add, word
from waykeeper.exchange.sources.model import UNREADABLE, Bookings, Reading, Statement
from waykeeper.exchange.sources.people import by_patient, for_each
from waykeeper.exchange.sources.recurrence import (
    Start,
    UnreadableRuleError,
    named,
    not_before,
    of_its_day,
    properties,
    series,
)
from waykeeper.exchange.sources.settling import LIVE, OFF, bookings, other_number, said_later, settle, unclear
from waykeeper.exchange.sources.times import When, end_of, local
from waykeeper.fhir.evidence import at_a_distance
from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.plan.model import Evidence

STATUS = {"CONFIRMED": "booked", "TENTATIVE": "pending", "CANCELLED": "cancelled", "": "booked"}  # RFC 5545 3.8.1.11
NO_BOOKING = ("REFRESH", "COUNTER", "DECLINECOUNTER")  # questions and wishes (RFC 5546 3.2.6 to 3.2.8)
OTHERS = ("VTODO", "VJOURNAL", "VFREEBUSY")
_BEGINS = re.compile(r"(?im)^(?=BEGIN:VCALENDAR\s*$)")
_SEQUENCE = re.compile(r"-?[0-9]{1,15}")
CALLED_OFF = ("cancelled", "noshow", "entered-in-error")


def read_calendar(paths: Sequence[str], mapping: Mapping, clinic_zone: str) -> Bookings:
    """Every event of calendar files as evidence; a recurring event is each of its occurrences.

    Raises WaykeeperError: WKX400 where the mapping has no `ics`, WKX412 where a file is no iCalendar.
    """
    if mapping.ics is None:
        raise WaykeeperError(finding("WKX400", "the mapping has no ics part", Position(mapping.file)))
    reading = Reading()
    events: dict[Position, _Event] = {}
    for path in paths:
        for event in _events(path, mapping, clinic_zone, reading):
            reading.read += 1
            if event.is_booking:
                events[event.place] = event
            else:
                reading.others += 1
                said = f"an event with METHOD:{event.method} books nothing"
                reading.findings.append(finding("WKX416", said, event.place))
    occurrences = _occurrences(events.values())
    for event in events.values():
        reading.statements += event.statements(reading.findings, occurrences.get(event.uid, ()))
    now = settle(reading.statements)
    known = {events[s.place].uid for s in reading.statements if not s.revokes}
    now.revoked[:] = [s for s in now.revoked if not events[s.place].uid or events[s.place].uid not in known]
    other_number(now)
    evidence = _told(now.kept, reading, events)
    return bookings(reading, evidence, now, len(reading.statements) - len(now.kept))


def _occurrences(events: Iterable[_Event]) -> dict[str, tuple[Start, ...]]:
    """The occurrences of each series by its UID, so that an event that stands for one names it as the series does."""
    found: dict[str, dict[Start, None]] = {}
    for event in events:
        if event.repeats and _moment(event.event.get("DTSTART")) is not None:
            with suppress(UnreadableRuleError):  # told where it is expanded
                found.setdefault(event.uid, {}).update(dict.fromkeys(series(event.event, event.mapping.zone).every))
    return {uid: tuple(every) for uid, every in found.items()}


def _told(kept: Sequence[Statement], reading: Reading, events: Map[Position, _Event]) -> list[Evidence]:
    """The evidence of what stands: a series is each of its occurrences, for each patient whose series it is."""
    of_uid: dict[str, list[Statement]] = {}
    for n, one in enumerate(kept):
        of_uid.setdefault(events[one.place].uid or f"\0{n}", []).append(one)
    evidence: list[Evidence] = []
    for group in of_uid.values():
        said = by_patient(group)
        lost = [replace(s, evidence=replace(s.evidence, patient=said.people[0][0].evidence.patient))
                for s in said.nameless] if len(said.people) == 1 else []  # fmt: skip
        for person in said.people:
            evidence += _of_a_series([*person, *lost], [] if lost else said.nameless, reading, events)
        if not lost:
            evidence += _of_a_series(said.nameless, [], reading, events)
    return evidence


def _of_a_series(
    kept: Sequence[Statement], nameless: Sequence[Statement], reading: Reading, events: Map[Position, _Event]
) -> list[Evidence]:
    """What stands of one UID for one patient. `nameless` changes her occurrences too and is told elsewhere."""
    wholes = [s for s in kept if events[s.place].of_one() is None]
    singles = [s for s in kept if events[s.place].of_one() is not None]
    singles = [_with_its_series(single, wholes, reading.findings) for single in singles]
    found = reading.findings
    evidence = [events[s.place].single(s.evidence, found) for s in singles]
    others = [
        _Changed(start, events[s.place].onwards, s.evidence.status)
        for s in (*singles, *nameless)
        if (start := events[s.place].of_one()) is not None
    ]
    for whole in wholes:
        event, one = _repeating(whole, reading.statements, events)
        evidence += event.expanded(one, others, found) if event.repeats and one.day is not None else [one]
    return evidence


def _repeating(
    whole: Statement, statements: Sequence[Statement], events: Map[Position, _Event]
) -> tuple[_Event, Evidence]:
    """The event that says how a series repeats: a cancellation of the whole need not (RFC 5546 3.2.5)."""
    event = events[whole.place]
    if event.repeats or whole.evidence.status not in CALLED_OFF or not event.uid:
        return event, whole.evidence
    before = [s for s in statements if s.booking == whole.booking and events[s.place].repeats]
    if not before or before[-1].evidence.day is None:
        return event, whole.evidence
    was = before[-1].evidence
    return events[before[-1].place], replace(whole.evidence, day=was.day, start=was.start, end=was.end)


def _with_its_series(single: Statement, wholes: Sequence[Statement], found: list[Finding]) -> Statement:
    """An occurrence whose series is cancelled is cancelled with it, unless it is said later that it stands.

    RFC 5546 3.2.5: a cancellation without RECURRENCE-ID takes all occurrences back, those that were moved too.
    """
    gone = next((w for w in wholes if w.evidence.status in OFF), None)
    one = single.evidence
    if gone is None or one.status not in LIVE:
        return single
    if not said_later(single, gone):
        return replace(single, evidence=replace(one, status=gone.evidence.status, fell=one.fell or gone.evidence.fell))
    found.append(finding("WKX408", f"it stands, and its series at {gone.place} is cancelled", single.place))
    return replace(single, evidence=unclear(one, f"{one.status}, its series cancelled"))


def _events(path: str, mapping: Mapping, clinic_zone: str, reading: Reading) -> Iterator[_Event]:
    data = read_bytes(path).replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    lines = [n for n, line in enumerate(data.split(b"\n"), 1) if line.strip().upper() == b"BEGIN:VEVENT"]
    calendars = _calendars(data, path)
    found = [(c, e) for c in calendars for e in c.walk("VEVENT")]
    if len(lines) != len(found):
        said = f"{len(lines)} events begin and {len(found)} can be read: an event is broken"
        raise WaykeeperError(finding("WKX412", said, Position(path)))
    for kind in OTHERS:
        many = sum(len(c.walk(kind)) for c in calendars)
        reading.read, reading.others = reading.read + many, reading.others + many
        if many:
            reading.findings.append(finding("WKX416", f"{many} of {kind}, which are no events", Position(path)))
    for line, (calendar, event) in zip(lines, found, strict=True):
        method = str(calendar.get("METHOD", "")).upper()
        yield _Event(Position(path, line), event, method, mapping, clinic_zone)


def _calendars(data: bytes, path: str) -> list[Any]:
    """The calendars of a file, each with the time zones that it defines itself: another may call other rules the same.

    Lines are put together before anything is decoded, since they may be folded inside a letter (RFC 5545 3.1).
    Raises WaykeeperError WKX412.
    """
    from icalendar import Calendar
    from icalendar.timezone import tzp

    calendars: list[Any] = []
    try:
        text = data.replace(b"\n ", b"").replace(b"\n\t", b"").decode("utf-8-sig")
        for part in filter(str.strip, _BEGINS.split(text)):
            tzp.use_default()
            calendars += Calendar.from_ical(part, multiple=True)
    except (
        ValueError,
        KeyError,
        IndexError,
        AttributeError,
        TypeError,
        OSError,
    ) as error:  # OSError: a TZID of a folder
        # the library's own words repeat the line, which may name a patient
        said = (
            "not UTF-8 (RFC 5545 3.1.4)" if isinstance(error, UnicodeDecodeError) else "no iCalendar: a line is broken"
        )
        raise WaykeeperError(finding("WKX412", said, Position(path))) from None
    if not calendars or any(c.name != "VCALENDAR" for c in calendars):
        raise WaykeeperError(finding("WKX412", "no iCalendar: there is no VCALENDAR", Position(path)))
    begun = len(_BEGINS.findall(text))
    if begun != len(calendars):
        said = f"{begun} calendars begin and {len(calendars)} end: the file is cut off or put together wrongly"
        raise WaykeeperError(finding("WKX412", said, Position(path)))
    return calendars


class _Changed(NamedTuple):
    """What an event says of one occurrence of a series, and with `onwards` of all that follow."""

    start: Start
    onwards: bool
    status: str


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

    @property
    def is_booking(self) -> bool:
        """Not a question or a wish of somebody who takes part; of answers (REPLY) only that one declines counts."""
        if self.method == "REPLY":
            return any(str(a.params.get("PARTSTAT", "")).upper() == "DECLINED" for a in self._all("ATTENDEE"))
        return self.method not in NO_BOOKING

    def _all(self, name: str) -> list[Any]:
        return properties(self.event, name) if name else []

    def recurrence_id(self) -> str:
        """The occurrence that this event stands for (RFC 5545 3.8.4.4), in UTC; "" for the whole."""
        said = self.of_one()
        return self._instant_name(said) if said is not None else ""

    def statements(self, found: list[Finding], occurrences: Sequence[Start]) -> list[Statement]:
        """The event as it stands, before it is repeated; one for each patient of a class.

        occurrences   those of its series, by which it names the one that it stands for
        """
        patients = self._patients()
        if not patients:
            self._say(found, "WKX407", f"the event has no {self.mapping.ics_property('patient')} that names a patient")
        one = self._evidence(found)
        each = for_each(one, patients) if len(patients) > 1 else [replace(one, patient=p) for p in patients] or [one]
        said = self.of_one()
        hit = named(occurrences, said, self.mapping.zone) if said is not None else []
        name = self._instant_name(occurrences[hit[0]]) if len(hit) == 1 else self.recurrence_id()
        key = f"{self.uid}\0{name}" if self.uid else ""
        revokes = self.method == "CANCEL" or (not self.uid and one.status == "cancelled")
        return [Statement(self._answered(e, patients, found), self.place, key, self._made(), revokes) for e in each]

    def _answered(self, one: Evidence, patients: Sequence[tuple[str, ...]], found: list[Finding]) -> Evidence:
        """The same, doubtful where an attendee declined it (RFC 5545 3.2.12): not where another patient did."""
        if one.status != "booked" or self._text(self.mapping.ics_property("status")):
            return one
        others = {name for names in patients for name in names} - {*one.patient}
        wanted = self.mapping.ics_property("patient")
        by_attendee = wanted.partition(";")[0] == "ATTENDEE"
        for attendee in properties(self.event, "ATTENDEE"):
            hers = self.mapping.named("patient", _value(attendee, wanted)) if by_attendee else ()
            if str(attendee.params.get("PARTSTAT", "")).upper() == "DECLINED" and others.isdisjoint(hers):
                self._say(found, "WKX408", "the event stands and an attendee declined it")
                return unclear(one, "booked, declined")
        return one

    def _patients(self) -> list[tuple[str, ...]]:
        """Who the event is for, each by her identifier: two values are two patients.

        Of attendees by their address those who lead the meeting or are no person are none (RFC 5545 3.2.16, 3.2.3).
        """
        wanted = self.mapping.ics_property("patient")
        name = wanted.partition(";")[0]
        said = properties(self.event, name) if name else []
        if wanted == "ATTENDEE":
            leads = _value(self.event["ORGANIZER"], "") if "ORGANIZER" in self.event else ""
            said = [a for a in said if not _is_staff(a, leads)] or said
        values = dict.fromkeys(value for one in said if (value := _value(one, wanted)))
        return [self.mapping.named("patient", value) for value in values]

    def _evidence(self, found: list[Finding]) -> Evidence:
        """The booking without its patient."""
        start, readable = self._start(found)
        end, minutes = self._length(start)
        status, fell = self._status(found)
        broken = sorted({str(name) for name, _ in self.event.errors if name})
        if broken:
            self._say(found, "WKX407", f"{', '.join(broken)} cannot be read")
        return Evidence(
            reference=f"{Path(self.place.file).name}{f'#{self.uid}' if self.uid else f':{self.place.line}'}",
            kind="appointment",
            status=status if readable and not broken else UNREADABLE,
            day=start.day,
            start=start.at,
            end=end,
            links=self._named(self.mapping.ics_property("order"), "order"),
            identifiers=self.mapping.named("booking", self.uid) if not self.recurrence_id() else (),
            service_types=self._named(self.mapping.ics_property("type"), "type"),
            specialties=self._named(self.mapping.ics_property("specialty"), "specialty"),
            text=" | ".join(t for t in (self._text("SUMMARY"), self._text("DESCRIPTION"), self._categories()) if t),
            minutes=minutes,
            telehealth="CONFERENCE" in self.event or at_a_distance(f"{self._text('SUMMARY')} | {self._categories()}"),
            site=self._text("LOCATION"),
            fell=fell,
            origin=self.origin,
        )

    def _made(self) -> tuple[int, datetime | None]:
        """SEQUENCE, then DTSTAMP (RFC 5545 3.8.7.4 and 3.8.7.2); without SEQUENCE it is 0."""
        number, stamp = self._text("SEQUENCE"), _moment(self.event.get("DTSTAMP"))
        aware = stamp if isinstance(stamp, datetime) and stamp.tzinfo else None
        return int(number) if _SEQUENCE.fullmatch(number) else 0, aware

    def _text(self, name: str) -> str:
        said = self.event.get(name) if name else None
        said = said[0] if isinstance(said, list) and said else said
        return " ".join(str(said).split()) if said is not None else ""

    def _categories(self) -> str:
        said = self.event.get("CATEGORIES")
        every = said if isinstance(said, list) else [said] if said is not None else []
        return " | ".join(str(c) for one in every for c in getattr(one, "cats", [one]))

    def _named(self, wanted: str, system: str) -> tuple[str, ...]:
        """What `NAME` or `NAME;PARAMETER` holds, with its system."""
        name = wanted.partition(";")[0]
        values = dict.fromkeys(_value(one, wanted) for one in (properties(self.event, name) if name else ()))
        return tuple(f for value in values for f in self.mapping.named(system, value))

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
        try:
            when, noticed = local(moment, self.mapping.zone, self.clinic, self.place)
        except OverflowError:
            self._say(found, "WKX407", "a time of the event lies at the edge of the calendar")
            return When(), False
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
            minutes = int(length.total_seconds() // 60)
            return end_of(start.at, minutes), minutes
        return None, None

    def _status(self, found: list[Finding]) -> tuple[str, str]:
        """The calendar's STATUS and METHOD, outranked by the scheduler's own word where there is one."""
        several = sorted({str(one).strip().upper() for one in self._all("STATUS")})
        if len(several) > 1:
            self._say(found, "WKX408", "the event has several STATUS")
            return f"unclear ({', '.join(STATUS.get(one, one) for one in several)})", ""
        said = self._text("STATUS").upper()
        plain = "cancelled" if self.method == "CANCEL" else STATUS.get(said, "")  # METHOD:CANCEL: RFC 5546 3.2.5
        theirs = self.mapping.ics_property("status").upper() == "STATUS"  # the scheduler's own words stand in it
        if not plain:
            if not theirs:
                details = f"STATUS is {said!r}, RFC 5545 3.8.1.11 knows CONFIRMED, TENTATIVE, CANCELLED"
                self._say(found, "WKX404", details, self._words_of_status(said))
            plain = said
        own, fell = self._own(found)
        if own and plain == "cancelled" and own not in CALLED_OFF:
            self._say(found, "WKX408", f"the event is cancelled, the scheduler's own word makes it {own}")
            return f"unclear (cancelled, {own})", ""
        return own or plain, fell

    def _words_of_status(self, said: str) -> str:
        """Under `status` alone a word would change nothing: the mapping says in which property such words stand."""
        if self.mapping.ics_property("status"):
            return ""
        return f"Where the scheduler writes words of its own there, say ics: {{status: STATUS}}. {status_to_add(said)}"

    def _own(self, found: list[Finding]) -> tuple[str, str]:
        name = self.mapping.ics_property("status")
        said = self._text(name)
        if not said:
            return "", ""
        several = sorted({word(str(one)) for one in self._all(name)})
        if len(several) > 1:
            self._say(found, "WKX408", f"the event has several {name}")
            return f"unclear ({', '.join(self.mapping.status.get(one, one) for one in several)})", ""
        mapped = self.mapping.status.get(word(said))
        if mapped is None:
            self._say(found, "WKX404", f"{name} is {said!r}, which is not in the mapping", status_to_add(said))
            return said, ""
        return ("cancelled", CANCELLED_BY[mapped]) if mapped in CANCELLED_BY else (mapped, "")

    def _say(self, found: list[Finding], code: str, details: str, hint: str = "") -> None:
        found.append(finding(code, details, self.place, hint))

    # recurrence (RFC 5545 3.8.5)

    def of_one(self) -> Start | None:
        """The occurrence that this event stands for (RECURRENCE-ID), None for the whole."""
        said: Start | None = _moment(self.event.get("RECURRENCE-ID"))
        return said

    @property
    def onwards(self) -> bool:
        """It changes the occurrences after its own too (RFC 5545 3.2.13)."""
        said = self.event.get("RECURRENCE-ID")
        return said is not None and str(said.params.get("RANGE", "")).upper() == "THISANDFUTURE"

    @property
    def repeats(self) -> bool:
        """It is a series."""
        return bool({"RRULE", "RDATE"} & set(self.event))

    def single(self, one: Evidence, found: list[Finding]) -> Evidence:
        """The evidence of an event that stands for one occurrence."""
        if self.onwards and one.status not in CALLED_OFF:
            self._say(found, "WKX413", "RANGE=THISANDFUTURE changes occurrences that are not read so")
            one = unclear(one, f"{one.status}, and later ones")
        return replace(one, reference=f"{one.reference}/{self.recurrence_id()}")

    def expanded(self, one: Evidence, others: Sequence[_Changed], found: list[Finding]) -> list[Evidence]:
        """One evidence for each occurrence of a series that no other event stands for.

        others   the events that stand for single occurrences, with what they say
        """
        try:
            read = series(self.event, self.mapping.zone)
        except UnreadableRuleError as error:
            self._say(found, "WKX413", str(error))
            return [unclear(one, f"{one.status}, repeated")]
        if not read.left:  # every occurrence is taken out: nothing of it stands
            return [replace(one, status="cancelled") if one.status not in CALLED_OFF else one]
        zone = self.mapping.zone
        stands = {n for other in others for n in named(read.left, other.start, zone)}
        doubted = {read.left.index(start) for start in read.doubted}
        for other in others:
            if other.status in CALLED_OFF and not named(read.every, other.start, zone):
                doubted |= {*of_its_day(read.left, other.start, zone)}
        if doubted - stands:
            self._say(found, "WKX408", "an occurrence is called off at an hour at which the series has none that day")
        every = []
        for n, start in enumerate(read.left):
            if n not in stands:
                status = self._changed(start, one, others, doubted=n in doubted)
                every.append(replace(self._occurrence(one, start), status=status))
        return every

    def _changed(self, start: Start, one: Evidence, others: Sequence[_Changed], *, doubted: bool) -> str:
        """The status of an occurrence, after what an event says of it and all later ones."""
        if one.status in CALLED_OFF:
            return one.status
        for other in others:
            if other.onwards and not_before(start, other.start, self.mapping.zone):
                off = other.status in CALLED_OFF
                return other.status if off else unclear(one, f"{one.status}, changed from an earlier one on").status
        return unclear(one, f"{one.status}, called off that day").status if doubted else one.status

    def _occurrence(self, one: Evidence, wall: Start) -> Evidence:
        when, _ = self._when(wall, "", [])
        end = when.at + (one.end - one.start) if when.at and one.end and one.start else None
        return replace(one, reference=f"{one.reference}/{self._instant_name(wall)}", day=when.day, start=when.at,
                       end=end, identifiers=())  # fmt: skip

    def _instant_name(self, moment: Start) -> str:
        """A moment as a name: the day, or the instant in UTC."""
        if not isinstance(moment, datetime):
            return moment.strftime("%Y%m%d")
        zoned = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(self.mapping.zone))
        return zoned.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _value(one: Any, wanted: str) -> str:
    """The value of a property, or of its parameter where `NAME;PARAMETER` is wanted. An address loses its scheme."""
    parameter = wanted.partition(";")[2]
    said = str(one.params.get(parameter, "")) if parameter else str(one)
    return re.sub(r"^mailto:", "", said.strip(), flags=re.IGNORECASE)


def _is_staff(attendee: Any, leads: str) -> bool:
    params = {name: str(attendee.params.get(name, "")).upper() for name in ("ROLE", "CUTYPE")}
    return params["ROLE"] == "CHAIR" or params["CUTYPE"] in ("ROOM", "RESOURCE") or _value(attendee, "") == leads


def _moment(said: Any) -> Any:
    """The value of a property with a date, a time or a length; None where there is none that can be read."""
    from icalendar.error import BrokenCalendarProperty

    try:
        return getattr(said, "dt", None)
    except BrokenCalendarProperty:
        return None
