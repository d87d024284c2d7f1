"""The invented bookings: legal by themselves, and beside the plans they give the verdicts they were made for."""

from __future__ import annotations

import json
import runpy
from collections import Counter
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from waykeeper.fhir import bundle, evidence
from waykeeper.fhir import read as read_plan
from waykeeper.gaps import Row, Worklist, worklist
from waykeeper.medicines import rule_names
from waykeeper.pathway import library, read_clinic
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.record import read, resources_of
from waykeeper.timing.model import Moment
from yaml_text import plain

HERE = Path(__file__).parent
BUNDLES = HERE.parents[1] / "sandbox_bundles"
CASES = plain((BUNDLES / "cases.yaml").read_text("utf-8"))
EXPECTED = plain((HERE / "booking_verdicts.yaml").read_text("utf-8"))


def bookings(name: str) -> dict[str, Any]:
    made: dict[str, Any] = json.loads((BUNDLES / name / "bookings.bundle.json").read_text("utf-8"))
    return made


@cache
def report(name: str) -> Worklist:
    """The worklist of one case: its plan as it comes back from FHIR, its bookings, its as-of day."""
    case = CASES[name]
    clinic, _ = read_clinic(case["clinic"], library.read(case["clinic"])[1])
    assert clinic is not None
    pathway, found = library.load(case["pathway"], clinic.overlays, rule_names=rule_names(), clinic=clinic)
    assert pathway is not None, found
    surgery = datetime.fromisoformat(case["surgery"])
    given = {"surgery": Moment(surgery.date(), surgery.time(), clinic.zone)}
    if "discharge" in case:
        given["discharge"] = Moment(date.fromisoformat(case["discharge"]))
    record = read(resources_of(json.loads((BUNDLES / name / case["record"]).read_text("utf-8"))))
    plan = compile_plan(pathway, clinic, record, given, side=case["side"], anaesthesia=case["anaesthesia"])
    seen = evidence(resources_of(bookings(name)), clinic.zone)
    return worklist([read_plan(resources_of(bundle(plan)))], seen, date.fromisoformat(case["as_of"]))


def rows(name: str) -> dict[str, Row]:
    return {r.item.removeprefix("visit/"): r for r in report(name).rows if r.kind == "visit"}


def test_bundles_are_what_the_script_writes() -> None:
    script = runpy.run_path(str(HERE / "make_bookings.py"))
    assert script["main"](["--check"]) == 0


def test_every_case_has_verdicts() -> None:
    assert sorted(EXPECTED) == sorted(CASES)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_verdicts(name: str) -> None:
    got = {visit: row.verdict for visit, row in rows(name).items()}
    assert {visit: got[visit] for visit in EXPECTED[name]} == EXPECTED[name]


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_every_booking_is_in_the_report_once(name: str) -> None:
    seen = Counter(p.reference for p in report(name).appointments)
    made = [
        e["fullUrl"] for e in bookings(name)["entry"] if e["resource"]["resourceType"] in ("Appointment", "Encounter")
    ]
    assert sorted(made) == sorted(seen) and max(seen.values(), default=1) == 1


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_the_same_patient_as_in_the_record(name: str) -> None:
    record = json.loads((BUNDLES / name / "record.bundle.json").read_text("utf-8"))
    assert bookings(name)["entry"][0] == record["entry"][0]


def test_links_hold_and_strangers_stay_outside() -> None:
    """A linked no-show is history; the skin doctor and the hospital stay belong to no visit; a follow-up is a guess."""
    places = {p.status + "/" + p.kind: p.place for p in report("demo-left").appointments}
    assert places["noshow/appointment"] == "history"
    assert places["finished/encounter"] == "unplanned"
    assert Counter(p.place for p in report("demo-left").appointments) == {
        "evidence": 4, "history": 1, "unplanned": 2, "guess": 1,
    }  # fmt: skip
    assert rows("demo-left")["therapy-first"].certainty == "recognised"
    assert rows("demo-left")["two-week"].certainty == "linked"
    assert rows("demo-left")["three-month"].guesses
