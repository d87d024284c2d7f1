"""One patient with an ankle and a knee, both the first episode: each can be moved and noted upon by its pathway."""

import json

import pytest

import waykeeper
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.shelf import folder
from waykeeper.sandbox import running
from waykeeper.verbs.moving import Move
from waykeeper.verbs.moving_many import NotMoved, move_all

RECORD = str(folder("sandbox_bundles") / "demo-left" / "record.bundle.json")
WHO = "https://alder-quay.example/mrn|AQ-1001"
ANKLE, KNEE = "total-ankle-replacement", "total-knee-replacement"
BY = {"by": "R. Alder", "reason": "theatre closed"}


@pytest.fixture(scope="module")
def plans(tmp_path_factory):
    """The files of the two plans."""
    folder_of_plans = tmp_path_factory.mktemp("plans")
    for name, day, side in ((ANKLE, "2027-03-17T07:30", "left"), (KNEE, "2027-09-15T07:30", "right")):
        made = waykeeper.compile(
            name, clinic="clinic-demo", patient=RECORD, surgery=day, side=side, anaesthesia="general"
        )
        (folder_of_plans / f"{name}.json").write_text(json.dumps(made.bundle), "utf-8")
    return sorted(folder_of_plans.iterdir())


@pytest.fixture
def url(plans):
    """A server that holds both, as they were compiled."""
    with running() as base:
        for path in plans:
            waykeeper.push(str(path), to=base)
        yield base


def days(url):
    found = waykeeper.gaps(url, as_of="2027-01-04").whole.rows
    return {row.pathway: row.surgery.isoformat() for row in found if row.kind == "plan"}


def test_the_plan_that_is_named_is_moved(url):
    with pytest.raises(WaykeeperError) as refused:
        waykeeper.move(url, patient=WHO, surgery="2027-05-12T07:30", record=RECORD, **BY)
    assert f"{ANKLE}, {KNEE}" in refused.value.findings[0].help
    waykeeper.move(url, patient=WHO, surgery="2027-05-12T07:30", pathway=ANKLE, record=RECORD, **BY)
    assert days(url) == {ANKLE: "2027-05-12", KNEE: "2027-09-15"}


def test_an_item_of_both_is_noted_in_the_plan_that_is_named(url):
    given = {"to": url, "patient": WHO, "by": "R. Alder", "on": "2026-11-20"}
    with pytest.raises(WaykeeperError) as refused:
        waykeeper.note("task/authorisation", "owner", text="A. Day", **given)
    (said,) = refused.value.findings
    assert (said.details, said.help) == (
        "'task/authorisation' is an item of several plans",
        f"Name the pathway: {ANKLE}, {KNEE}.",
    )
    waykeeper.note("task/authorisation", "owner", text="A. Day", pathway=KNEE, **given)
    rows = [r for r in waykeeper.gaps(url, as_of="2027-01-04").whole.rows if r.item == "task/authorisation"]
    assert {r.pathway: bool(r.owner == "R. Alder" or r.owner == "A. Day") for r in rows} == {ANKLE: False, KNEE: True}


def test_a_table_names_the_plan_of_each_row(url, tmp_path):
    day = tmp_path / "day.csv"
    lines = (f"{WHO},2027-05-19T07:30,{ANKLE},{RECORD}", f"{WHO},2027-09-22T07:30,{KNEE},{RECORD}")
    day.write_text("\n".join(("patient,surgery,pathway,record", *lines)), "utf-8")
    moved = move_all(url, str(day), **BY)
    assert [one.moved.decided.plan.pathway.name for one in moved if isinstance(one, Move)] == [ANKLE, KNEE]
    assert days(url) == {ANKLE: "2027-05-19", KNEE: "2027-09-22"}


def test_a_row_that_names_no_plan_of_several_moves_none(url, tmp_path):
    day, before = tmp_path / "day.csv", days(url)
    day.write_text(f"patient,surgery,record\n{WHO},2027-06-02T07:30,{RECORD}\n", "utf-8")
    (refused,) = move_all(url, str(day), **BY)
    assert isinstance(refused, NotMoved)
    assert f"{ANKLE}, {KNEE}" in refused.findings[0].help
    assert days(url) == before
