"""Letters and call scripts of chosen rows: one entry a plan, none for a patient who died or withdrew."""

from __future__ import annotations

import json

import pytest

from waykeeper import verbs
from waykeeper.pathway.library import folder

CASE = folder("sandbox_bundles") / "demo-left"
AS_OF = "2026-06-26"


def test_a_letter_and_a_call_for_who_missed_a_visit():
    (one,) = verbs.letters(str(CASE), as_of=AS_OF)
    assert "Maren Wintergale" in one.letter
    assert "Maren Wintergale" in one.call
    assert one.language == "en"


@pytest.mark.parametrize(("kind", "letter", "call"), [("letter", True, False), ("call", False, True)])
def test_one_kind_alone(kind, letter, call):
    (one,) = verbs.letters(str(CASE), as_of=AS_OF, kind=kind)
    assert (bool(one.letter), bool(one.call)) == (letter, call)


def test_rows_that_the_filters_leave():
    assert verbs.letters(str(CASE), as_of=AS_OF, owner="Ruth Alderman") == ()
    (one,) = verbs.letters(str(CASE), as_of=AS_OF, phase="last-two-weeks")
    assert one.letter == ""
    assert [f.code for f in one.why] == ["WKO008"]


def test_nothing_for_the_dead(tmp_path):
    record = json.loads((CASE / "record.bundle.json").read_text("utf-8"))
    plan = json.loads((CASE / "plan.bundle.json").read_text("utf-8"))
    for entry in [*record["entry"], *plan["entry"]]:
        if entry["resource"]["resourceType"] == "Patient":
            entry["resource"]["deceasedDateTime"] = "2026-06-20"
    (tmp_path / "record.json").write_text(json.dumps(record))
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    found = verbs.letters(str(tmp_path), as_of=AS_OF)
    assert all(one.letter == one.call == "" for one in found)
    assert {f.code for one in found for f in one.why} <= {"WKO001"}
