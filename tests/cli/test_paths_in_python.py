"""Functions of Python take a path as `pathlib` writes it, a moment as `datetime` does, a Bundle as it was compiled."""

from __future__ import annotations

import inspect
import json
from datetime import datetime

import pytest

import waykeeper
from waykeeper import verbs
from waykeeper.pathway.shelf import folder
from waykeeper.sandbox import running

HOME = folder("sandbox_bundles") / "demo-left"
PLAN, RECORD, BOOKED = (HOME / f"{name}.bundle.json" for name in ("plan", "record", "bookings"))
CLINIC, KNEE = (folder("pathways") / name for name in ("clinic-demo.yaml", "total-knee-replacement.yaml"))
SURGERY = datetime(2026, 3, 18, 7, 30)  # noqa: DTZ001 - the clinic's own time, as somebody writes it in Python

PATHS = {
    "bundle", "bundles", "cases", "clinic", "db", "errors_to", "ledger", "load", "mapping", "output", "paths",
    "pathway", "pathways", "profiles", "record", "sources", "table", "theatre_list",
}  # fmt: skip
BY_NAME_ONLY = {"calendar", "history", "medicines", "note", "sheet", "withdraw"}  # `pathway` says which plan is meant
MOMENTS = {"surgery", "discharge"}


@pytest.mark.parametrize("verb", [name for name in verbs.__all__ if inspect.isfunction(getattr(verbs, name))])
def test_what_may_be_a_file_takes_a_path(verb):
    """Read off the signatures, so that a new parameter is not forgotten."""
    takes = {p.name: str(p.annotation) for p in inspect.signature(getattr(verbs, verb)).parameters.values()}
    files = PATHS - ({"pathway"} if verb in BY_NAME_ONLY else set())
    assert [f"{name}: {said}" for name, said in takes.items() if name in files and "PathText" not in said] == []
    assert [f"{name}: {said}" for name, said in takes.items() if name in MOMENTS and said != "MomentText"] == []


def test_what_paths_give_is_what_text_gives():
    """Beyond these the type checker says that nothing but text goes further in."""
    given = {"clinic": CLINIC, "patient": RECORD, "side": "left"}
    by_path = waykeeper.compile(KNEE, surgery=SURGERY, **given)
    by_text = waykeeper.compile(str(KNEE), surgery="2026-03-18T07:30", **{k: str(v) for k, v in given.items()})
    assert by_path.bundle == by_text.bundle
    listed = waykeeper.gaps(PLAN, BOOKED, as_of="2026-06-26")
    assert listed.worklist == waykeeper.gaps(str(PLAN), str(BOOKED), as_of="2026-06-26").worklist
    assert waykeeper.sheet(PLAN, as_of="2026-03-02") == waykeeper.sheet(str(PLAN), as_of="2026-03-02")


def test_many_are_compiled_from_paths(tmp_path):
    (tmp_path / "cases.csv").write_text("patient,surgery,side\nAQ-1001,2026-03-18T07:30,left\n", "utf-8")
    (tmp_path / "records").mkdir()
    (tmp_path / "records" / "one.json").write_bytes(RECORD.read_bytes())
    made = waykeeper.compile_all(
        KNEE, clinic=CLINIC, cases=tmp_path / "cases.csv", patient=tmp_path / "records", output=tmp_path / "plans",
        jobs=1,
    )  # fmt: skip
    assert made.failed == ()
    assert len(list((tmp_path / "plans").iterdir())) == 1


def test_a_compiled_bundle_is_pushed_without_a_file():
    document = json.loads(PLAN.read_bytes())
    with running() as url:
        (first,) = waykeeper.push(document, to=url)
        (again,) = waykeeper.push(PLAN, to=url)
    assert len(first.written) > 200
    assert again.written == ()


def test_what_is_no_bundle_is_not_pushed():
    with pytest.raises(waykeeper.WaykeeperError) as refused:
        waykeeper.push({"resourceType": "Patient"}, to="http://127.0.0.1:9/fhir")
    assert [(f.code, f.position.file) for f in refused.value.findings] == [("WKC103", "")]
