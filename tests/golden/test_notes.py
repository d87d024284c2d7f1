"""The demo's notes name items of the demo's plan, and leave undone what they say they leave undone."""

from __future__ import annotations

import json
from datetime import date, datetime
from functools import cache
from pathlib import Path

from waykeeper.pathway import library, read_clinic
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Item
from waykeeper.record import read, resources_of
from waykeeper.timing.model import Moment
from yaml_text import plain

BUNDLES = Path(__file__).parents[2] / "sandbox_bundles"
CASES = plain((BUNDLES / "cases.yaml").read_text("utf-8"))
NOTES = plain((BUNDLES / "notes.yaml").read_text("utf-8"))
LEFT = {"task/implant-registered", "task/infection-watch", "task/films-later/three-month"}


@cache
def items() -> dict[str, Item]:
    case = CASES["demo-left"]
    clinic, _ = read_clinic(case["clinic"], library.read(case["clinic"])[1])
    assert clinic is not None
    pathway, found = library.load(case["pathway"], clinic.overlays, clinic=clinic)
    assert pathway is not None, found
    surgery = datetime.fromisoformat(case["surgery"])
    given = {"surgery": Moment(surgery.date(), surgery.time(), clinic.zone)}
    record = read(resources_of(json.loads((BUNDLES / "demo-left" / "record.bundle.json").read_text("utf-8"))))
    plan = compile_plan(pathway, clinic, record, given, side=case["side"], anaesthesia=case["anaesthesia"])
    return {str(i.key): i for i in plan.items}


def test_each_note_is_about_an_item_once_and_before_the_as_of_day() -> None:
    notes = NOTES["demo-left"]
    named = [n["item"] for n in notes]
    assert len(named) == len(set(named)) and set(named) <= set(items())
    assert {n["what"] for n in notes} == {"done", "released", "answered", "fact"}
    assert all(date.fromisoformat(n["on"]) <= date.fromisoformat(CASES["demo-left"]["as_of"]) for n in notes)
    assert all(n["by"] for n in notes)


def test_nothing_is_done_too_early_for_the_surgery() -> None:
    for note in NOTES["demo-left"]:
        valid_from = items()[note["item"]].dates.valid_from
        assert valid_from is None or date.fromisoformat(note["on"]) >= valid_from, note


def test_left_undone_is_what_the_file_says() -> None:
    """Of what is due by the as-of day and depends on no unanswered fact, only these three tasks were forgotten."""
    as_of = date.fromisoformat(CASES["demo-left"]["as_of"])
    noted = {n["item"] for n in NOTES["demo-left"]}
    facts = {n["item"].removeprefix("question/"): n["text"] for n in NOTES["demo-left"] if n["what"] == "fact"}
    due = {
        key
        for key, item in items().items()
        if item.key.kind == "task" and item.dates.target and item.dates.target.day <= as_of
        if all(facts.get(name) != "no" for name in item.undecided)
    }
    assert due - noted == LEFT
    assert "gate/film-check" not in noted and "gate/driving-allowed" not in noted
