"""Knee and hip go the whole way by the same commands as the first pathway: compile, validate, gaps, sheet, overlays."""

from __future__ import annotations

import json
import re
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import waykeeper
from waykeeper import verbs
from waykeeper.findings import WaykeeperError
from waykeeper.pathway import library
from yaml_text import plain

BUNDLES = Path(__file__).parents[2] / "sandbox_bundles"
CASES = plain((BUNDLES / "cases.yaml").read_text("utf-8"))
NAMES = [n for n, case in CASES.items() if case["pathway"] != "total-ankle-replacement"]
OWN = """overlay: ours
version: 1.0.0
title: The first call comes a day later here
for: [total-knee-replacement, total-hip-replacement]
why: Our ward calls on the day of discharge
source: {grade: clinic setting}
replace:
  call-week-1: {by: 10 days after surgery, source: {grade: clinic setting}}
"""


@cache
def compiled(name: str, clinic: str = "clinic-demo") -> verbs.Compiled:
    case = CASES[name]
    return verbs.compile(
        case["pathway"], clinic=clinic, patient=str(BUNDLES / name / "record.bundle.json"), surgery=case["surgery"],
        discharge=case["discharge"], side=case["side"], anaesthesia=case["anaesthesia"],
        patient_identifier=case["patient"],
    )  # fmt: skip


def clinic_with(folder: Path, *overlays: str) -> str:
    """The demo's clinic in a file of its own, with other overlays, and one overlay of its own beside it."""
    (folder / "overlays").mkdir()
    (folder / "overlays" / "ours.yaml").write_text(OWN, "utf-8")
    text = library.read("clinic-demo")[1].decode()
    assert "overlays: [nothing-after-midnight]" in text
    file = folder / "clinic.yaml"
    file.write_text(text.replace("[nothing-after-midnight]", f"[{', '.join(overlays)}]"), "utf-8")
    return str(file)


def test_both_joints_are_there() -> None:
    assert {CASES[n]["pathway"] for n in NAMES} == {"total-knee-replacement", "total-hip-replacement"}


@pytest.mark.parametrize("name", NAMES)
def test_our_validator_finds_nothing(name: str) -> None:
    files = [str(BUNDLES / name / f"{kind}.bundle.json") for kind in ("plan", "record", "bookings")]
    assert [f.line() for f in waykeeper.validate_files(*files).findings if f.severity != "information"] == []


@pytest.mark.parametrize("name", NAMES)
def test_gaps_has_each_item_and_each_booking_once(name: str) -> None:
    files = [str(BUNDLES / name / f"{kind}.bundle.json") for kind in ("plan", "bookings")]
    report = verbs.gaps(*files, as_of=CASES[name]["as_of"]).worklist
    shown = [row.item for row in report.rows]
    assert len(shown) == len(set(shown))
    visits = {str(i.key) for i in compiled(name).plan.items if i.key.kind == "visit"}
    assert visits <= set(shown)
    made = json.loads((BUNDLES / name / "bookings.bundle.json").read_text("utf-8"))["entry"]
    booked = [e for e in made if e["resource"]["resourceType"] in ("Appointment", "Encounter")]
    theirs = [one for one in report.appointments if one.place != "asked"]  # "asked": what the plan itself proposes
    assert len(theirs) == len(booked)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("name", NAMES)
def test_the_sheet_prints_the_words_of_its_own_joint(name: str, language: str) -> None:
    page = verbs.sheet(str(BUNDLES / name / "plan.bundle.json"), as_of=CASES[name]["surgery"][:10], language=language)
    own = {"knee-left": {"en": "knee", "es": "rodilla"}, "hip-right": {"en": "hip", "es": "cadera"}}[name][language]
    assert re.search(rf"\b{own}\b", page)
    assert not re.search(r"\b(ankle|tobillo|scooter)\b", page)


def test_rivaroxaban_before_a_spinal_has_three_missed_days() -> None:
    """72 hours before a neuraxial block, full dose (ASRA, from memory, as the anticoagulant rules cite it)."""
    holds = {i.hold.words: i.hold for i in compiled("hip-right").plan.items if i.hold}
    hold = next(h for words, h in holds.items() if words.startswith("rivaroxaban"))
    assert (hold.missed_days, hold.last_dose, hold.first_missed) == (3, date(2026, 9, 24), date(2026, 9, 25))


def test_a_clinic_lays_its_own_changes_over_knee_and_hip_without_a_copy(tmp_path: Path) -> None:
    clinic = clinic_with(tmp_path, "ours", "no-shaving-7-days")
    for name in NAMES:
        plan = compiled(name, clinic).plan
        assert plan.overlays == ("ours", "no-shaving-7-days")
        items = {i.key.item: i for i in plan.items}
        assert items["call-week-1"].phrase == "10 days after surgery" and items["call-week-1"].overlays == ("ours",)
        assert items["no-shaving"].phrase == "within 7 days before surgery"
        assert [p.file.rpartition("/")[2] for p in items["call-week-1"].changed_at] == ["ours.yaml"]


def test_a_clinic_without_hip_precautions_has_none_and_asks_nothing(tmp_path: Path) -> None:
    items = {i.key.item for i in compiled("hip-right", clinic_with(tmp_path, "no-hip-precautions")).plan.items}
    before = {i.key.item for i in compiled("hip-right").plan.items}
    gone = {"hip-precautions", "precautions-lifted", "precautions-taught", "safe-moves", "hip_precautions_ordered"}
    assert gone <= before and not gone & items


def test_an_overlay_of_the_hip_is_refused_on_the_knee(tmp_path: Path) -> None:
    with pytest.raises(WaykeeperError) as refused:
        compiled("knee-left", clinic_with(tmp_path, "no-hip-precautions"))
    assert [f.code for f in refused.value.findings] == ["WKP602"]


def test_explain_says_which_file_said_it_and_which_changed_it() -> None:
    plan = str(BUNDLES / "hip-right" / "plan.bundle.json")
    found: Any = verbs.explain("visit/two-week", bundle=plan)
    _, item = found
    assert item.origin.file == "pathways/parts/after-discharge.yaml"
    assert [p.file for p in item.changed_at] == [
        "pathways/parts/hip-and-knee.yaml", "pathways/total-hip-replacement.yaml",
    ]  # fmt: skip
