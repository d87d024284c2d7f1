"""The mapping file: what the words, columns and codes of somebody's scheduler mean. Strict; see README.md."""

from __future__ import annotations

import json
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from typing import Any

from waykeeper.exchange.files import read_bytes
from waykeeper.findings import Finding, WaykeeperError, did_you_mean, finding
from waykeeper.pathway.reader import read_yaml
from waykeeper.pathway.strict import Choice, Fields, Key, ListOf, MapOf, Record, Text, read_record
from waykeeper.timing import is_zone

# words of FHIR R4's Appointment.status, and who called a cancelled one off
CANCELLED_BY = {"cancelled-by-patient": "patient", "cancelled-by-clinic": "clinic"}
STATUSES = (
    "proposed", "pending", "booked", "arrived", "fulfilled", "cancelled", "noshow", "entered-in-error", "checked-in",
    "waitlist",
)  # fmt: skip
BOOKING_COLUMNS = (
    "patient", "start", "date", "time", "end", "minutes", "status", "booking", "order", "type", "specialty",
    "practitioner", "site", "channel", "changed", "asked",
)  # fmt: skip
CASE_COLUMNS = ("patient", "surgery", "time", "side", "anaesthesia", "pathway", "discharge", "episode", "procedure",
                "status")  # fmt: skip
SYSTEMS = ("patient", "booking", "order", "type", "specialty")
ENCODINGS = ("utf-8", "utf-16", "cp1252", "iso-8859-1", "iso-8859-15")
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
DIRECTIVES = frozenset("YymdHIMSpbBzf%")  # of a stated format; others depend on the machine's language or lose a day

_WORD = Text("a word of the source", r"(?s).*")
_TEXT = Text()
_MEANT = (*STATUSES, *CANCELLED_BY)
_WORDS = MapOf(Choice(_MEANT), _WORD)
_TABLE = (
    Key("encoding", Choice(ENCODINGS)),
    Key("delimiter", Choice(tuple(DELIMITERS))),
    Key("date", _TEXT),
    Key("time", _TEXT),
    Key("start", _TEXT),
    Key("changed", _TEXT),
)
_CSV = Record("csv", (
    *_TABLE,
    Key("columns", Record("columns", (
        *(Key(c, _TEXT, required=c in ("patient", "status")) for c in BOOKING_COLUMNS),
        Key("words", ListOf(_TEXT), "columns whose text is read together"),
    )), required=True),
    Key("telehealth", ListOf(_TEXT)),
))  # fmt: skip
_CASES = Record("cases", (
    *(k for k in _TABLE if k.name not in ("start", "changed")),
    Key("columns", Record("columns", tuple(Key(c, _TEXT) for c in CASE_COLUMNS)), required=True),
    Key("side", MapOf(Choice(("left", "right", "")), _WORD)),
    Key("anaesthesia", MapOf(_TEXT, _WORD)),
    Key("pathway", MapOf(_TEXT, _WORD)),
))  # fmt: skip
_ICS = Record("ics", (
    Key("patient", _TEXT, "the property with the patient's identifier, or ATTENDEE", required=True),
    Key("status", _TEXT, "a property with the scheduler's own word"),
    Key("order", _TEXT, "a property with the order's number"),
    Key("type", _TEXT, "a property with the code of the visit's type"),
    Key("specialty", _TEXT, "a property with the code of the specialty"),
))  # fmt: skip
_HL7 = Record("hl7", (
    Key("authorities", MapOf(_TEXT, _WORD), "assigning authority of PID-3 -> system of the patient's identifier"),
    Key("encoding", Choice(tuple(e for e in ENCODINGS if e != "utf-16")), "of messages without MSH-18"),
    Key("processing", ListOf(Choice(("D", "T"))), "kinds of MSH-11 that count beside P: debugging, training"),
))  # fmt: skip
MAPPING = Record("mapping", (
    Key("mapping", _TEXT, "what it is called", required=True),
    Key("zone", _TEXT, "the time zone of times without an offset", required=True),
    Key("systems", Record("systems", tuple(Key(s, _TEXT, required=s == "patient") for s in SYSTEMS)), required=True),
    Key("status", _WORDS, "a word of the source -> a status of FHIR's Appointment"),
    Key("csv", _CSV), Key("cases", _CASES), Key("ics", _ICS), Key("hl7", _HL7),
))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    """How a CSV file is written.

    formats   date, time, start, changed -> format with the directives of strptime
    columns   what a cell is for -> the name in the header
    words     columns whose text is read together
    values    side, anaesthesia, pathway -> word of the source, lower case -> ours
    """

    encoding: str = "utf-8"
    delimiter: str = ","
    formats: Map[str, str] = field(default_factory=dict)
    columns: Map[str, str] = field(default_factory=dict)
    words: tuple[str, ...] = ()
    telehealth: frozenset[str] = frozenset()
    values: Map[str, Map[str, str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Mapping:
    """What a scheduler's words mean.

    zone      of times without an offset
    systems   patient, booking, order, type, specialty -> system of identifiers or codes
    status    word of the source, lower case, "" for a blank -> status of FHIR's Appointment, or of CANCELLED_BY
    """

    name: str
    zone: str
    systems: Map[str, str]
    status: Map[str, str] = field(default_factory=dict)
    csv: Table | None = None
    cases: Table | None = None
    ics: Map[str, str] | None = None
    authorities: Map[str, str] = field(default_factory=dict)
    hl7_encoding: str = "utf-8"
    hl7_processing: tuple[str, ...] = ()
    file: str = ""

    def ics_property(self, what: str) -> str:
        """The property of an event that holds something, "" for none."""
        return (self.ics or {}).get(what, "").upper()

    def named(self, what: str, value: str) -> tuple[str, ...]:
        """`system|value` as Evidence names it, nothing for a blank."""
        return (f"{self.systems.get(what, '')}|{value}",) if value else ()


def word(text: str) -> str:
    """A word as it is compared: case and outer blanks do not count."""
    return " ".join(text.split()).casefold()


def read_mapping(path: str) -> Mapping:
    """A mapping file. Raises WaykeeperError with every finding in it, or WKC101."""
    root, reading = read_yaml(read_bytes(path), path)
    found = list(reading)
    fields = read_record(root, MAPPING, found) if root is not None else None
    if fields is not None:
        _zone(fields, found)
        for name in ("csv", "cases"):
            _formats(fields.record(name), found, bookings=name == "csv")
        _once(fields, found)
    wrong = [f for f in found if f.severity == "error"]
    if wrong or fields is None:
        raise WaykeeperError(sorted(wrong or found, key=lambda f: f.position))
    return _made(fields, path)


def _made(fields: Fields, path: str) -> Mapping:
    def texts(key: str) -> dict[str, str]:
        return {k: str(v) for k, v in fields.record(key).values.items()}

    hl7 = fields.record("hl7")
    authorities = hl7.map("authorities")
    return Mapping(
        name=fields.text("mapping"), zone=fields.text("zone"), systems=texts("systems"),
        status=_words(fields.map("status")),
        csv=_table(fields.record("csv")) if "csv" in fields.values else None,
        cases=_table(fields.record("cases")) if "cases" in fields.values else None,
        ics=texts("ics") if "ics" in fields.values else None,
        authorities={k: str(v) for k, v in authorities.items()},
        hl7_encoding=hl7.text("encoding", "utf-8"), hl7_processing=hl7.texts("processing"), file=path,
    )  # fmt: skip


def _words(given: Map[str, Any]) -> dict[str, str]:
    return {word(k): str(v) for k, v in given.items()}


def _table(fields: Fields) -> Table:
    columns = {k: str(v) for k, v in fields.record("columns").values.items() if k != "words"}
    return Table(
        encoding=fields.text("encoding", "utf-8"),
        delimiter=DELIMITERS[fields.text("delimiter", "comma")],
        formats={k: fields.text(k) for k in ("date", "time", "start", "changed") if fields.text(k)},
        columns=columns,
        words=fields.record("columns").texts("words"),
        telehealth=frozenset(word(t) for t in fields.texts("telehealth")),
        values={k: _words(fields.map(k)) for k in ("side", "anaesthesia", "pathway")},
    )


def _zone(fields: Fields, found: list[Finding]) -> None:
    zone = fields.text("zone")
    if zone and not is_zone(zone):
        from zoneinfo import available_timezones

        hint = did_you_mean(zone, available_timezones())
        found.append(finding("WKX402", f"unknown time zone {zone!r}", fields.at("zone"), hint))


NEEDS: Map[str, str] = {"date": "date", "time": "time", "start": "start", "changed": "changed", "surgery": "date"}


WHICH_DAY = "Name under columns the column that holds the day, as date or, with the time in it, as start."
HOW: Map[str, str] = {
    "date": '"%d.%m.%Y" or "%m/%d/%Y"',
    "time": '"%H:%M" or "%I:%M %p"',
    "start": '"%Y-%m-%d %H:%M" or "%m/%d/%Y %I:%M %p"',
    "changed": '"%Y-%m-%d %H:%M:%S" or "%m/%d/%Y %I:%M %p"',
}


def _stated(name: str) -> str:
    """How the format of this key is written: one of a day, with its hours, is taken under `time` and reads nothing."""
    return f"State it in the way of the file, such as {name}: {HOW[name]}."


def status_to_add(said: str) -> str:
    """The line that a mapping lacks for a word that a source says of a booking."""
    line = f"{json.dumps(said, ensure_ascii=False)}: STATUS"
    return f"Add the line {line} under status of the mapping, with one of {', '.join(_MEANT)} for STATUS."


def _formats(fields: Fields, found: list[Finding], *, bookings: bool) -> None:
    """Each column with a day or a time has its stated format, and a format says the whole day."""
    for name in ("date", "time", "start", "changed"):
        stated = fields.text(name)
        used = {stated[i + 1 : i + 2] for i, c in enumerate(stated) if c == "%" and stated[i - 1 : i] != "%"}
        if not stated:
            continue
        how = _stated(name)
        if used - DIRECTIVES:
            odd = ", ".join(f"%{d}" for d in sorted(used - DIRECTIVES))
            found.append(finding("WKX403", f"{name}: {odd} is not read", fields.at(name), how))
        elif name != "time" and not ({"d"} <= used and used & {"m", "b", "B"} and used & {"Y", "y"}):
            found.append(finding("WKX403", f"{name}: {stated!r} lacks day, month or year", fields.at(name), how))
        elif name in ("time", "start") and not used & {"H", "I"}:
            found.append(finding("WKX403", f"{name}: {stated!r} lacks the hour", fields.at(name), how))
        elif "I" in used and "p" not in used:
            details = f"{name}: hours of 12 (%I) need morning or afternoon (%p)"
            found.append(finding("WKX403", details, fields.at(name), how))
    columns = fields.record("columns")
    for column, wanted in NEEDS.items():
        if columns.text(column) and not fields.text(wanted):
            details = f"the column {columns.text(column)!r} has no stated format: {wanted} is missing"
            found.append(finding("WKX403", details, columns.at(column), _stated(wanted)))
    if (
        bookings
        and "patient" in columns.values
        and "status" in columns.values
        and not {"start", "date"} & set(columns.values)
    ):
        found.append(finding("WKX403", "columns: neither start nor date is named", fields.at("columns"), WHICH_DAY))


def _once(fields: Fields, found: list[Finding]) -> None:
    """Two spellings of one word may not mean two things."""
    seen: dict[str, Any] = {}
    for given, meant in fields.map("status").items():
        if seen.setdefault(word(given), meant) != meant:
            found.append(
                finding("WKX404", f"status: {given!r} stands twice with two meanings", fields.at("status"), "Keep one.")
            )
