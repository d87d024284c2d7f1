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


def test_the_sheet_and_the_calendar_of_the_plan_that_is_named(url):
    with pytest.raises(WaykeeperError) as refused:
        waykeeper.sheet(from_=url, patient=WHO, as_of="2026-11-27")
    assert f"--pathway: {ANKLE}, {KNEE}" in refused.value.findings[0].help
    ankle, knee = (waykeeper.sheet(from_=url, patient=WHO, as_of="2026-11-27", pathway=p) for p in (ANKLE, KNEE))
    assert "March 17, 2027" in ankle and "September 15, 2027" not in ankle
    assert "September 15, 2027" in knee and "March 17, 2027" not in knee
    made = waykeeper.calendar(from_=url, patient=WHO, as_of="2026-11-27", pathway=KNEE).decode()
    assert "20270915" in made and "20270317T" not in made


@pytest.fixture(scope="module")
def moved_house(tmp_path_factory):
    """The file of the clinic under another address."""
    text = (folder("pathways") / "clinic-demo.yaml").read_text("utf-8")
    path = tmp_path_factory.mktemp("clinic") / "clinic.yaml"
    path.write_text(text.replace("url: https://alder-quay.example", "url: https://new-quay.example"), "utf-8")
    return str(path)


HOLD = "hold/https://alder-quay.example/record-rows|AQ-1001-medicines-1"


def test_a_plan_under_another_address_of_the_clinic_is_a_plan_of_its_own(moved_house, tmp_path):
    """The plan of before is withdrawn: its answers are not those of the new one, and the one in force is meant."""
    given = {"patient": RECORD, "surgery": "2027-03-17T07:30", "side": "left", "anaesthesia": "general"}

    def pushed(clinic):
        made = waykeeper.compile(ANKLE, clinic=clinic, from_=base, **given)
        (tmp_path / "plan.json").write_text(json.dumps(made.bundle), "utf-8")
        return waykeeper.push(str(tmp_path / "plan.json"), to=base)

    with running() as base:
        note = {"to": base, "patient": WHO, "by": "R. Alder", "on": "2026-11-20"}
        pushed("clinic-demo")
        waykeeper.note(HOLD, "answered", days=2, **note)
        waykeeper.withdraw(from_=base, patient=WHO, reason="new address", by="R. Alder")
        assert pushed(moved_house)[0].findings == ()
        assert "call you" in waykeeper.sheet(from_=base, patient=WHO, as_of="2026-11-27")
        waykeeper.note(HOLD, "answered", days=3, **note)
        assert pushed(moved_house)[0].findings == ()  # with the answer of the plan in force
        assert "Saturday, March 13, 2027" in waykeeper.sheet(from_=base, patient=WHO, as_of="2026-11-27")
        assert len(waykeeper.history(base, patient=WHO)) == 2
        assert b"CANCELLED" in waykeeper.calendar(from_=base, patient=WHO, take_back=True)


def test_of_the_plans_of_one_file_none_is_chosen(tmp_path):
    """They may be of several patients, or episodes: the sheet would be of one that nobody named."""
    made = [
        waykeeper.compile(
            ANKLE, clinic="clinic-demo", patient=RECORD, surgery=day, side="left", anaesthesia="general", episode=number
        ).bundle["entry"]
        for number, day in enumerate(("2027-03-17T07:30", "2027-05-19T07:30"), 1)
    ]
    for entry in made[0]:
        if entry["resource"]["resourceType"] == "CarePlan":
            entry["resource"]["status"] = "completed"
    further = [entry for entry in made[1] if entry["resource"]["resourceType"] != "Patient"]
    both = tmp_path / "both.json"
    both.write_text(
        json.dumps({"resourceType": "Bundle", "type": "collection", "entry": [*made[0], *further]}), "utf-8"
    )
    for printed in (waykeeper.sheet, waykeeper.calendar):
        with pytest.raises(WaykeeperError, match="2 plans of Waykeeper, one is needed"):
            printed(str(both), as_of="2026-11-27")
