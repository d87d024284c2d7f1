"""The same bookings from a scheduler's CSV, a calendar and HL7 v2 give the verdicts that FHIR gives."""

from __future__ import annotations

import pytest

from exchange.made_bookings import CASES, WRITERS, from_fhir, read_text, report, rows

SAID = ("item", "verdict", "gap", "severity", "certainty", "since", "booked", "attended", "next_action", "by")


def verdicts(name, found):
    return sorted(tuple(str(getattr(r, part)) for part in SAID) for r in report(name, found).rows)


@pytest.mark.parametrize("kind", sorted(WRITERS))
@pytest.mark.parametrize("name", [name for name in sorted(CASES) if rows(name)])
def test_equal_verdicts_from_every_source(name, kind, tmp_path):
    read = read_text(tmp_path, kind, WRITERS[kind](name))
    undated = kind == "ics" and any("start" not in row for _, row in rows(name))  # RFC 5545 3.6.1 demands DTSTART
    assert [f.code for f in read.findings] == (["WKX407"] if undated else [])
    assert verdicts(name, read.evidence) == verdicts(name, from_fhir(name))


@pytest.mark.parametrize("kind", sorted(WRITERS))
def test_every_row_comes_out_once_with_its_place(kind, tmp_path):
    names = [name for name in sorted(CASES) if rows(name)]
    read = read_text(tmp_path, kind, WRITERS[kind](*names))
    count = sum(len(rows(name)) for name in names)
    assert read.read == len(read.evidence) + read.superseded + read.others == count
    assert len({e.reference for e in read.evidence}) == len({e.origin for e in read.evidence}) == count
    assert all(f"bookings.{kind}" in e.origin and "line " in e.origin for e in read.evidence)


@pytest.mark.parametrize("kind", sorted(WRITERS))
def test_each_stands_once_in_the_report_with_its_origin(kind, tmp_path):
    read = read_text(tmp_path, kind, WRITERS[kind]("demo-left"))
    places = report("demo-left", read.evidence).appointments
    assert sorted(p.origin for p in places) == sorted(e.origin for e in read.evidence)
