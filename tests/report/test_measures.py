"""The measures as text, CSV and JSON."""

from __future__ import annotations

import csv
import io
from datetime import date

from gaps.plans import dates, item, plan
from waykeeper.gaps.measures import measures
from waykeeper.plan.model import State
from waykeeper.report.measures import CSV_COLUMNS, measures_csv, measures_json, measures_text

MARCH = date(2026, 3, 1)
FOUND = measures(
    [(plan(item("task", "clearance-received", dates(date(2026, 3, 4))), patient=f"10{n:02}", name=f"=Ada {n}"), State())
     for n in range(12)], (), MARCH,
)  # fmt: skip


def test_the_text_fits_and_lists_who_fell_short():
    text = measures_text(FOUND, MARCH)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "Clearance complete 14 days before: 0 of 12 = 0 %" in text
    assert text.count("task/clearance-received | no day is recorded") == 12
    assert "(...003)" in text and "1003" not in text
    assert "1003" in measures_text(FOUND, MARCH, show_identifiers=True)
    assert "Not in this record:" in text


def test_the_csv_has_a_line_a_case_and_runs_nothing():
    rows = list(csv.DictReader(io.StringIO(measures_csv(FOUND, MARCH).removeprefix("\ufeff"))))
    assert tuple(rows[0]) == CSV_COLUMNS
    own = [r for r in rows if r["measure"] == "clearance-in-time"]
    assert len(own) == 12
    assert {r["in"] for r in own} == {"denominator"}
    assert all(r["patient"].startswith("'=") for r in own)


def test_the_json_counts_as_it_lists():
    made = measures_json(FOUND, MARCH)
    assert (made["month"], made["schema_version"]) == ("2026-03", "1")
    for one in made["measures"]:
        assert one["denominator"] == len(one["cases"])
        assert one["numerator"] == sum(c["counted"] for c in one["cases"])
