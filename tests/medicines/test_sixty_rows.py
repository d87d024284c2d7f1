"""Sixty rows in, sixty rows out, none classified by luck."""

from __future__ import annotations

from medicines.case_files import CALENDAR, entry, load, moment
from waykeeper.medicines import MedicineRow, propose
from waykeeper.record.model import Kidney

LIST = load("sixty.yaml")["list"]


def rows() -> tuple[MedicineRow, ...]:
    entries = [entry(given, f"row-{n}") for n, given in enumerate(LIST)]
    return propose(entries, moment("2026-03-18T07:30"), Kidney(), "unknown", {}, calendar=CALENDAR)


def test_sixty_in_sixty_out_in_order() -> None:
    assert len(LIST) == 60
    assert [r.words for r in rows()] == [given["words"] for given in LIST]
    assert [r.key for r in rows()] == [f"row-{n}" for n in range(60)]


def test_each_row_is_as_its_line_says() -> None:
    wrong = []
    for given, row in zip(LIST, rows(), strict=True):
        if "wrong" in given:
            continue
        days = given.get("missed_days")
        got = (row.decision, None if row.missed_days is None else str(row.missed_days), row.recognised)
        if got != (given["decision"], days, True):
            wrong.append((given["words"], got))
    assert wrong == []


def test_each_row_that_is_wrong_on_purpose_asks() -> None:
    silent = [
        (row.words, row.decision)
        for given, row in zip(LIST, rows(), strict=True)
        if "wrong" in given and not (row.decision == "ask" and row.question)
    ]
    assert silent == []


def test_near_misses_are_asked_about_and_never_used() -> None:
    for given, row in zip(LIST, rows(), strict=True):
        if "near" in given:
            assert not row.recognised
            assert row.ingredients == ()
            assert row.missed_days is None
            assert f"did you mean {given['near']}" in row.question


def test_every_row_that_stops_has_restart_and_owner() -> None:
    assert [r.words for r in rows() if r.stops and not (r.restart and r.restart_by)] == []


def test_rows_on_the_list_twice_are_asked_about() -> None:
    doubled = [r.words for r in rows() if "is on the list" in r.question]
    assert "ibuprofen 600mg PRN pain" in doubled and "ibuprofen 200 mg" in doubled
    assert not any("with :" in r.question for r in rows())  # no other is named: the question is of its own
    assert "warfarin 2.5 mg tablet" not in doubled  # it has ended
