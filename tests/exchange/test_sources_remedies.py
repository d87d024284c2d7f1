"""What a finding about a mapping or a source tells people to write is taken, and ends the finding."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from waykeeper.exchange.sources import read_bookings, read_mapping
from waykeeper.findings import Finding, WaykeeperError

MAPPING = """mapping: the clinic's scheduler
zone: America/Chicago
systems: {patient: https://alder-quay.example/mrn, booking: https://alder-quay.example/bookings}
status:
  Scheduled: booked
csv:
  date: "%m/%d/%Y"
  time: "%H:%M"
  columns: {patient: MRN, date: Date, time: Time, status: State, booking: Number}
ics:
  patient: ATTENDEE;X-MRN
"""
ROW = "AQ-1001,04/01/2026,09:00,Scheduled,B1\n"
TABLE = "MRN,Date,Time,State,Number\n" + ROW
EVENT = """BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Alder Quay//EN
BEGIN:VEVENT
UID:u1
DTSTAMP:20260301T100000Z
DTSTART;TZID=America/Chicago:20260401T090000
STATUS:DONE
ATTENDEE;X-MRN=AQ-1001:mailto:ann@alder-quay.example
END:VEVENT
END:VCALENDAR
"""


def findings(folder: Path, mapping: str, name: str, content: str) -> tuple[Finding, ...]:
    (folder / "mapping.yaml").write_text(mapping, "utf-8")
    (folder / name).write_text(content, "utf-8")
    try:
        stated = read_mapping(str(folder / "mapping.yaml"))
        return tuple(read_bookings([str(folder / name)], stated, "America/Chicago").findings)
    except WaykeeperError as error:
        return tuple(error.findings)


@pytest.mark.parametrize("said", ["Arrived", "", "No", 'so "called"', "a: b"])
def test_the_line_for_a_word_of_the_state_can_be_copied(tmp_path, said):
    cell = said.replace('"', '""')
    table = TABLE.replace("Scheduled", f'"{cell}"')
    (found,) = findings(tmp_path, MAPPING, "bookings.csv", table)
    line = re.search(r"Add the line (.*): STATUS under", found.help)[1]
    assert found.code == "WKX404" and "arrived, " in found.help
    mended = MAPPING.replace("status:\n", f"status:\n  {line}: arrived\n")
    assert findings(tmp_path, mended, "bookings.csv", table) == ()


def test_a_word_in_a_calendars_status_is_read_by_what_the_remedy_says(tmp_path):
    """Under `status` alone the word changed nothing: the remedy led back to the finding."""
    (found,) = findings(tmp_path, MAPPING, "bookings.ics", EVENT)
    assert found.code == "WKX404" and "ics: {status: STATUS}" in found.help and '"DONE": STATUS' in found.help
    half = MAPPING.replace("ics:\n", "ics:\n  status: STATUS\n")
    (again,) = findings(tmp_path, half, "bookings.ics", EVENT)
    assert again.code == "WKX404" and '"DONE": STATUS' in again.help
    mended = half.replace("status:\n", 'status:\n  "DONE": fulfilled\n', 1)
    assert findings(tmp_path, mended, "bookings.ics", EVENT) == ()


@pytest.mark.parametrize(
    ("stated", "wrong", "cells"),
    [('time: "%H:%M"', '"%M"', ("09:00", "09:00 AM")), ('date: "%m/%d/%Y"', '"%m/%d"', ("01.04.2026", "04/01/2026"))],
)
def test_each_format_that_the_remedy_shows_reads_that_column(tmp_path, stated, wrong, cells):
    key, _, right = stated.partition(": ")
    (found,) = findings(tmp_path, MAPPING.replace(right, wrong), "bookings.csv", TABLE)
    assert found.code == "WKX403"
    shown = re.findall(r'"[^"]+"', found.help)
    for written, cell in zip(shown, cells, strict=True):
        table = TABLE.replace("09:00" if key == "time" else "04/01/2026", cell)
        assert findings(tmp_path, MAPPING.replace(right, written), "bookings.csv", table) == ()


def test_another_mark_between_the_cells_is_one_finding(tmp_path):
    table = TABLE.replace(",", ";")
    (found,) = findings(tmp_path, MAPPING, "bookings.csv", table)
    assert "delimiter: semicolon" in found.help
    assert findings(tmp_path, MAPPING.replace("csv:\n", "csv:\n  delimiter: semicolon\n"), "bookings.csv", table) == ()
