"""A plan in a time zone that nobody knows is named with its CarePlan, is no fault of ours, and hides nobody else."""

from __future__ import annotations

import json

import pytest

from waykeeper.cli.main import main
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.shelf import folder
from waykeeper.record import resources_of
from waykeeper.verbs import comparing
from waykeeper.verbs.caseload import caseload

BUNDLES = folder("sandbox_bundles")
ROOT = "urn:uuid:1c822f44-4f8f-578c-9882-38162b7ec888"


def plan(name: str, zone: str = "") -> str:
    text = (BUNDLES / name / "plan.bundle.json").read_text("utf-8")
    return text.replace("America/Chicago", zone) if zone else text


@pytest.mark.parametrize("zone", ["Mars/Phobos", "../../etc/passwd", "America"])
@pytest.mark.parametrize(
    "command", [("gaps", "--from", "FILE"), ("sheet", "FILE", "--html", "-"), ("calendar", "FILE", "--ics", "-")]
)
def test_a_file_with_such_a_plan_is_refused_and_says_which(tmp_path, capfd, command, zone):
    file = tmp_path / "plan.json"
    file.write_text(plan("demo-left", zone), "utf-8")
    assert main([word.replace("FILE", str(file)) for word in command]) == 2
    told = capfd.readouterr()
    assert f"WKF102 error: {ROOT}: {zone!r} is no time zone" in told.err
    assert not told.out


def test_a_large_export_names_the_line(tmp_path):
    entries = json.loads(plan("demo-left", "Mars/Phobos"))["entry"]
    resources = [{**e["resource"], "id": e["fullUrl"].removeprefix("urn:uuid:")} for e in entries]
    file = tmp_path / "everything.ndjson"
    file.write_text("".join(json.dumps(one) + "\n" for one in resources), "utf-8")
    with pytest.raises(WaykeeperError, match=r"everything\.ndjson:\d+:1: WKX219 .*CarePlan/1c822f44.*'Mars/Phobos'"):
        caseload([file], jobs=1)


def test_on_a_server_the_others_are_still_listed():
    held = [pair for text in (plan("demo-left", "Mars/Phobos"), plan("knee-left"))
            for pair in resources_of(json.loads(text))]  # fmt: skip
    unread = []
    read = comparing._read(held, unread, ["https://fhir.example/r4"])
    assert [made.pathway.title for made, _ in read.plans] == ["Total knee replacement"]
    assert [one.details for one in unread] == [f"{ROOT}: its zone: 'Mars/Phobos' is no time zone; it is left out"]
