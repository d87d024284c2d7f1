"""A scheduler's CSV export -> what it says of bookings."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from waykeeper.exchange.sources.mapping import CANCELLED_BY, Mapping, Table, status_to_add, word
from waykeeper.exchange.sources.model import UNREADABLE, Bookings, Made, Reading, Statement
from waykeeper.exchange.sources.settling import settled
from waykeeper.exchange.sources.table import SPOILT, Row, read_table, spoilt
from waykeeper.exchange.sources.times import UnreadableTimeError, When, end_of, local, parse
from waykeeper.fhir.evidence import at_a_distance
from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.plan.model import Evidence


def read_csv(paths: Sequence[str], mapping: Mapping, clinic_zone: str) -> Bookings:
    """Every row of CSV files as evidence.

    Raises WaykeeperError: WKX400 where the mapping has no `csv`, and as `read_table`; WKX410 where the dates do not
    follow the stated format but would with day and month exchanged, since then no date of the file can be trusted.
    """
    if mapping.csv is None:
        raise WaykeeperError(finding("WKX400", "the mapping has no csv part", Position(mapping.file)))
    reading = Reading()
    for path in paths:
        rows = _Rows(path, mapping, mapping.csv, clinic_zone, reading)
        for row in read_table(path, mapping.csv):
            rows.add(row)
    return settled(reading)


class _Rows:
    """The rows of one file, as they are read."""

    def __init__(self, path: str, mapping: Mapping, table: Table, clinic_zone: str, reading: Reading) -> None:
        self.path, self.mapping, self.table, self.clinic = path, mapping, table, clinic_zone
        self.reading = reading

    def add(self, row: Row) -> None:
        self.reading.read += 1
        if row.wrong is not None:
            self.reading.findings.append(row.wrong)
            blank = Evidence(f"{Path(self.path).name}:{row.line}", "appointment", UNREADABLE, origin=row.origin)
            self.reading.statements.append(Statement(blank, row.at("")))
            return
        self.reading.statements.append(self._statement(row))

    def _statement(self, row: Row) -> Statement:
        start, readable = self._start(row)
        end, minutes = self._length(row, start)
        status, fell = self._status(row)
        name = Path(self.path).name
        made, told = self._moment(row, "changed")
        asked, _ = self._moment(row, "asked", "start")
        patient = "" if spoilt(row["patient"]) else row["patient"]
        if not patient:
            self._say("WKX407", SPOILT if row["patient"] else "the row names no patient", row, "patient")
        said = Evidence(
            reference=f"{name}#{row['booking']}" if row["booking"] else f"{name}:{row.line}",
            kind="appointment",
            status=status if readable else UNREADABLE,
            patient=self.mapping.named("patient", patient),
            day=start.day,
            start=start.at,
            end=end,
            links=self.mapping.named("order", row["order"]),
            identifiers=self.mapping.named("booking", row["booking"]),
            service_types=self.mapping.named("type", row["type"]),
            specialties=self.mapping.named("specialty", row["specialty"]),
            text=" | ".join(row[w] for w in row.cells if w.startswith("words") and row[w]),
            practitioner=(row["practitioner"],) if row["practitioner"] else (),
            minutes=minutes,
            telehealth=word(row["channel"]) in self.table.telehealth or at_a_distance(row["words"]),
            site=row["site"],
            asked_on=asked.day,
            fell=fell,
            origin=row.origin,
        )
        key: Made | None = (0, made.at) if told and made.at else None
        return Statement(said, row.at("booking"), row["booking"], key)

    def _say(self, code: str, details: str, row: Row, what: str, hint: str = "") -> None:
        self.reading.findings.append(finding(code, details, row.at(what), hint))

    def _start(self, row: Row) -> tuple[When, bool]:
        """Day and instant; False where something stands there that cannot be read."""
        if "start" in self.table.columns:
            return self._moment(row, "start")
        if not row["date"]:
            return When(), True
        stated = self.table.formats["date"]
        text = row["date"]
        try:
            day = parse(text, stated)
            clock = parse(row["time"], self.table.formats["time"]).time() if row["time"] else None
        except UnreadableTimeError as wrong:
            self._unreadable(wrong, row, "date" if wrong.args[0].startswith(repr(text)) else "time")
            return When(), False
        if clock is None:
            return When(day.date()), True
        return self._local(datetime.combine(day.date(), clock), row, "date"), True

    def _moment(self, row: Row, what: str, format_: str = "") -> tuple[When, bool]:
        """A cell with day and time in one."""
        stated = self.table.formats.get(format_ or what) or self.table.formats.get("date", "")
        if not row[what] or not stated:
            return When(), not row[what]
        try:
            wall = parse(row[what], stated)
        except UnreadableTimeError as wrong:
            self._unreadable(wrong, row, what)
            return When(), False
        return self._local(wall, row, what), True

    def _local(self, wall: datetime, row: Row, what: str) -> When:
        when, noticed = local(wall, self.mapping.zone, self.clinic, row.at(what))
        if noticed:
            self.reading.findings.append(noticed)
        return when

    def _unreadable(self, wrong: UnreadableTimeError, row: Row, what: str) -> None:
        if wrong.swapped:
            said = f"{wrong}, but would be with day and month exchanged: no date of this file can be trusted"
            raise WaykeeperError(finding("WKX410", said, row.at(what))) from None
        self._say("WKX407", str(wrong), row, what)

    def _length(self, row: Row, start: When) -> tuple[datetime | None, int | None]:
        """End and minutes: one gives the other."""
        minutes = int(row["minutes"]) if row["minutes"].isascii() and row["minutes"].isdigit() else None
        if row["minutes"] and minutes is None:
            self._say("WKX411", f"{row['minutes']!r} is no number of minutes", row, "minutes")
        if minutes is not None and start.at is not None:
            return end_of(start.at, minutes), minutes
        return None, minutes

    def _status(self, row: Row) -> tuple[str, str]:
        """The status, and who called it off. A word that is not mapped stays as it is: nobody knows it."""
        mapped = self.mapping.status.get(word(row["status"]))
        if mapped is None:
            shown = f"status {row['status']!r}" if row["status"] else "blank status"
            self._say("WKX404", f"the {shown} is not in the mapping", row, "status", status_to_add(row["status"]))
            return row["status"] or "blank", ""
        return ("cancelled", CANCELLED_BY[mapped]) if mapped in CANCELLED_BY else (mapped, "")
