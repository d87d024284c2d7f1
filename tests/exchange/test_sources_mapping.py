"""The mapping of the README is read as it stands; what is wrong in one; a booking of two sources counts once."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

import waykeeper.exchange.sources as room
from waykeeper.exchange.sources import Bookings, across, read_mapping
from waykeeper.exchange.sources.mapping import MAPPING
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.strict import Record
from waykeeper.plan.model import Evidence

README = (Path(room.__file__).parent / "README.md").read_text("utf-8")


def test_the_mapping_of_the_readme(tmp_path):
    text = README.split("```yaml\n")[1].split("```")[0]
    (tmp_path / "m.yaml").write_text(text)
    made = read_mapping(str(tmp_path / "m.yaml"))
    assert made.status["no show"] == "noshow" and made.status[""] == "booked"
    assert made.csv.delimiter == ";" and made.csv.words == ("Reason", "Note") and made.csv.telehealth == {"video"}
    assert made.ics_property("patient") == "ATTENDEE;X-MRN" and made.authorities == {
        "HOSP": "https://clinic.example/mrn"
    }
    assert made.cases.values["side"] == {"l": "left", "r": "right"}


def named(record):
    """Every key of a record of the mapping, and of the records in it."""
    for key in record.keys:
        yield key.name
        if isinstance(key.type, Record):
            yield from named(key.type)


PARTS = {key.name: key.type for key in MAPPING.keys if isinstance(key.type, Record)}


@pytest.mark.parametrize("part", PARTS)
def test_the_readme_names_every_key_of_a_mapping(part):
    text = README.split("```yaml\n")[1].split("```")[0]
    (block,) = [piece for piece in re.split(r"(?m)^(?=\w)", text) if piece.startswith(f"{part}:")]
    assert {*named(PARTS[part])} - {*re.findall(r"\w+", block)} <= shared(part)


def shared(part):
    """What `cases` and `csv` have in common is explained once."""
    return {"encoding", "delimiter"} if part == "cases" else set()


WRONG = {  # what is added to a whole mapping -> the code
    "csv: {date: '%d.%m', columns: {patient: A, date: B, status: C}}": "WKX403",
    "csv: {date: '%Y-%m-%d', time: '%I:%M', columns: {patient: A, date: B, time: D, status: C}}": "WKX403",
    "csv: {start: '%Y-%m-%d', columns: {patient: A, start: B, status: C}}": "WKX403",
    "csv: {date: '%j %Y', columns: {patient: A, date: B, status: C}}": "WKX403",
    "csv: {columns: {patient: A, date: B, status: C}}": "WKX403",
    "csv: {columns: {patient: A, status: C}}": "WKX403",
    "csv: {columns: {date: B, status: C}}": "WKP202",
    "csv: {encoding: ebcdic, columns: {patient: A, status: C}}": "WKP203",
    "status: {A: attended}": "WKP203",
    "status: {A: booked, ' a ': noshow}": "WKX404",
    "ics: {status: X}": "WKP202",
    "sources: x": "WKP201",
}


@pytest.mark.parametrize("more", sorted(WRONG))
def test_what_is_wrong_with_a_mapping(more, tmp_path):
    (tmp_path / "m.yaml").write_text(f"mapping: x\nzone: UTC\nsystems: {{patient: p}}\n{more}\n")
    with pytest.raises(WaykeeperError) as raised:
        read_mapping(str(tmp_path / "m.yaml"))
    assert WRONG[more] in {f.code for f in raised.value.findings}


ONE = Evidence(
    "b.csv#1", "appointment", "booked", day=date(2026, 4, 29), identifiers=("s|1",), origin="line 2 of b.csv"
)
THEIRS = replace(ONE, reference="Appointment/1", origin="")


def test_a_booking_that_both_know_counts_once():
    every, found = across([THEIRS], Bookings((ONE,)))
    assert every == [THEIRS] and not found


@pytest.mark.parametrize("other", [replace(THEIRS, status="cancelled"), replace(THEIRS, day=date(2026, 5, 20))])
def test_where_they_differ_both_are_for_a_person(other):
    """Booked here and cancelled there: taking the booking would hide a gap."""
    every, found = across([other], Bookings((ONE,)))
    assert len(every) == 2 and all(e.status.startswith("unclear (") for e in every)
    assert [f.code for f in found] == ["WKX409"]


def test_another_booking_is_not_touched():
    other = replace(THEIRS, identifiers=("s|2",), status="cancelled")
    every, found = across([other], Bookings((ONE,)))
    assert every == [other, ONE] and not found
