"""The same bookings from a scheduler's CSV, a calendar and HL7 v2 give the verdicts that FHIR gives."""

from __future__ import annotations

import pytest

from exchange import made_bookings
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


@pytest.mark.parametrize("kind", sorted(WRITERS))
@pytest.mark.parametrize(("called", "distant"), [("Phone call, six weeks", True), ("Six-week visit", False)])
def test_a_call_is_at_a_distance_in_every_source(kind, called, distant, tmp_path, monkeypatch):
    """What a scheduler calls the service says it, where no channel does: a call kept the visit that it was about."""
    row = {"start": "2026-04-29T10:00:00", "status": "fulfilled", "words": called, "comment": "phone if late"}
    monkeypatch.setitem(made_bookings.ROWS, "demo-left", [row])
    (one,) = read_text(tmp_path, kind, WRITERS[kind]("demo-left")).evidence
    assert called in one.text
    assert one.telehealth is distant
