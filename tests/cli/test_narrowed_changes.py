"""What changed since an earlier report, under a filter: what comes into it or leaves it is neither new nor gone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import waykeeper
from waykeeper.gaps import as_json
from waykeeper.pathway import library


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan, its report of yesterday without a theatre list, and the list that was read today."""
    made = tmp_path_factory.mktemp("narrowed")
    files = {name: data for patient, name, data in library.bundles() if patient == "demo-left"}
    (made / "plan.json").write_bytes(files["plan.bundle.json"])
    yesterday = waykeeper.gaps(str(made / "plan.json"), as_of="2026-03-10")
    (made / "yesterday.json").write_text(json.dumps(as_json(yesterday.worklist)))
    (made / "theatre.csv").write_text("Date,MRN,Surgeon,Side\n2026-03-18,AQ-1001,Dr. Amsel,left\n")
    return made


def changes(folder: Path, **asked: str) -> list[tuple[str, str]]:
    given = {"as_of": "2026-03-11", "since": str(folder / "yesterday.json")} | asked
    found = waykeeper.gaps(str(folder / "plan.json"), **given).changes or ()
    return [(c.kind, (c.after or c.before).item) for c in found]


def test_a_surgeon_who_is_known_since_today_makes_no_row_new(folder: Path) -> None:
    """All 50 gaps were told as new: yesterday nobody had read a theatre list."""
    named = changes(folder, theatre_list=str(folder / "theatre.csv"), surgeon="Dr. Amsel")
    assert named == changes(folder, theatre_list=str(folder / "theatre.csv"))
    assert 0 < len(named) < 15


def test_a_row_that_another_week_has_by_now_is_not_gone(folder: Path) -> None:
    whole = changes(folder, as_of="2026-03-23")
    for week in ("2026-03-09", "2026-03-16", "2026-03-23"):
        some = changes(folder, as_of="2026-03-23", week=week)
        assert some
        assert set(some) <= set(whole)
