"""A plan whose own CarePlan is gone, or says nothing any more: its patient does not leave the report in silence."""

import json
from contextlib import nullcontext
from datetime import date
from pathlib import Path

import pytest

import waykeeper
from waykeeper.exchange.partition import bulk_files
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.shelf import folder
from waykeeper.verbs import caseload, comparing

DAY = "2026-06-26"
LEFT, KNEE = (folder("sandbox_bundles") / name / "plan.bundle.json" for name in ("demo-left", "knee-left"))


def resources(path: Path):
    """The plan as a server would export it: ids of its own, references by them."""
    entries = json.loads(path.read_text("utf-8"))["entry"]
    text = json.dumps([{**e["resource"], "id": e["fullUrl"].removeprefix("urn:uuid:")} for e in entries])
    for entry in entries:
        text = text.replace(f'"{entry["fullUrl"]}"', f'"{entry["resource"]["resourceType"]}/{entry["fullUrl"][9:]}"')
    return json.loads(text)


def is_root(resource):
    return resource["resourceType"] == "CarePlan" and "partOf" not in resource


def stripped(resource):
    return {k: v for k, v in resource.items() if k != "extension"}


def export(to: Path, change):
    held = [*resources(KNEE), *filter(None, map(change, resources(LEFT)))]
    (to / "all.ndjson").write_text("\n".join(map(json.dumps, held)), "utf-8")
    return str(to)


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize(
    "change", [lambda r: None if is_root(r) else r, lambda r: stripped(r) if is_root(r) else r, stripped]
)
def test_the_report_says_that_a_plan_is_not_in_it(tmp_path, monkeypatch, change, large):
    if large:
        monkeypatch.setattr(comparing, "LARGE", 1)
        monkeypatch.setattr(caseload, "processes", lambda *_: nullcontext())
    whole = waykeeper.gaps(export(tmp_path, lambda r: r), as_of=DAY)
    assert whole.findings == () and len({r.identifier for r in whole.whole.rows}) == 2
    found = waykeeper.gaps(export(tmp_path, change), as_of=DAY)
    assert len({r.identifier for r in found.whole.rows}) == 1
    (said,) = found.findings
    root = next(r for r in resources(LEFT) if is_root(r))
    assert (said.code, said.severity) == ("WKX216", "error")
    assert f"CarePlan/{root['id']}" in said.details and root["subject"]["reference"] in said.details


def test_a_plan_that_was_withdrawn_is_not_missed(tmp_path):
    def withdrawn(resource):
        status = "cancelled" if resource["resourceType"] == "Appointment" else "revoked"
        return None if is_root(resource) else {**resource, "status": status}

    assert waykeeper.gaps(export(tmp_path, withdrawn), as_of=DAY).findings == ()


def test_where_it_was_the_only_one_that_is_what_is_said(tmp_path):
    held = [r for r in resources(LEFT) if not is_root(r)]
    (tmp_path / "all.ndjson").write_text("\n".join(map(json.dumps, held)), "utf-8")
    with pytest.raises(WaykeeperError) as refused:
        waykeeper.gaps(str(tmp_path), as_of=DAY)
    assert [f.code for f in refused.value.findings] == ["WKX216"]


def test_a_type_that_one_patient_has_nothing_of_is_deleted_there_however_the_export_is_split(tmp_path):
    def without_goals(resource):
        return None if resource["resourceType"] == "Goal" else resource

    folder_of = export(tmp_path, without_goals)
    whole = waykeeper.gaps(folder_of, as_of=DAY)
    split = caseload.caseload(bulk_files(folder_of), date.fromisoformat(DAY), jobs=1, part=1000)
    assert len(split.parts.files) > 1
    assert (split.left_out, whole.findings) == (frozenset(), ())
    assert tuple(split.worklist.rows) == whole.whole.rows
    (own,) = (r for r in whole.whole.rows if r.kind == "plan" and "Goal/" in " ".join(r.questions))
    assert own.patient == "Maren Wintergale"


@pytest.mark.parametrize("large", [False, True])
def test_a_patient_of_whom_no_careplan_is_left_is_told_too(tmp_path, monkeypatch, large):
    """The file of CarePlans of an export was lost: her Tasks and requests are there, and she was nowhere."""
    if large:
        monkeypatch.setattr(comparing, "LARGE", 1)
        monkeypatch.setattr(caseload, "processes", lambda *_: nullcontext())
    found = waykeeper.gaps(export(tmp_path, lambda r: None if r["resourceType"] == "CarePlan" else r), as_of=DAY)
    (said,) = found.findings
    patient = next(r["id"] for r in resources(LEFT) if r["resourceType"] == "Patient")
    assert said.code == "WKX216" and f"Patient/{patient}" in said.details
    assert found.worklist.lacking
