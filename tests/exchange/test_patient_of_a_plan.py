"""The Patient of a plan: a push creates the one of the bundle, and the list rings the one of the server."""

import json

import pytest

import waykeeper
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.errors import refusal
from waykeeper.exchange.reading import under_another_number
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.shelf import folder
from waykeeper.plan.model import Episode, Identifier
from waykeeper.sandbox import running

PLAN = folder("sandbox_bundles") / "demo-left" / "plan.bundle.json"
WRITTEN = ("meta", "id", "text")  # by the server, or words made of the rest


@pytest.fixture
def pushed():
    with running() as url:
        waykeeper.push(str(PLAN), to=url)
        yield url


def person(url):
    with Server(url) as client:
        ((_, found),) = client.search(
            "Patient", [("identifier", "https://alder-quay.example/mrn|AQ-1001")], private=True
        )
    return found


def test_a_push_creates_the_patient_that_the_bundle_holds(pushed):
    entries = json.loads(PLAN.read_text("utf-8"))["entry"]
    (given,) = (e["resource"] for e in entries if e["resource"]["resourceType"] == "Patient")
    made = person(pushed)
    assert {k: v for k, v in made.items() if k not in WRITTEN} == {k: v for k, v in given.items() if k not in WRITTEN}
    assert {"name", "gender", "birthDate", "communication"} <= made.keys()


def test_the_page_of_a_server_shows_the_number_to_ring(pushed, tmp_path, capsys):
    who = person(pushed)
    with Server(pushed) as client:
        client.send("PUT", f"Patient/{who['id']}", {**who, "telecom": [{"system": "phone", "value": "555 0142"}]})
    page = tmp_path / "list.html"
    assert main(["gaps", "--from", pushed, "--as-of", "2026-06-26", "--html", str(page)]) == 0
    assert "tel. 555 0142" in page.read_text("utf-8")
    assert "555 0142" not in capsys.readouterr().out


def test_a_plan_whose_patient_got_another_number_makes_no_second_patient(pushed):
    """WKU111: the same bundle again found nobody, created a Patient without a plan, and could not say what it did."""
    who = person(pushed)
    old, new = who["identifier"][0], {"system": "https://alder-quay.example/mrn", "value": "AQ-9009"}
    with Server(pushed) as client:
        client.send("PUT", f"Patient/{who['id']}", {**who, "identifier": [new]})
        with pytest.raises(WaykeeperError) as refused:
            waykeeper.push(str(PLAN), to=pushed)
        assert [f.code for f in refused.value.findings] == ["WKU111"] and "use is old" in refused.value.findings[0].help
        assert len(client.search("Patient", [])) == 1
        client.send("PUT", f"Patient/{who['id']}", {**who, "identifier": [new, {**old, "use": "old"}]})
    (report,) = waykeeper.push(str(PLAN), to=pushed)  # the way out
    assert not report.sent and report.findings == ()


@pytest.mark.parametrize("status", [400, 403, 404, 405, 501])
def test_a_server_that_lets_nobody_search_beyond_one_patient_says_nothing(pushed, status, monkeypatch):
    """A plan that is new could be sent there before it was asked whether it stands under another Patient."""

    def refuses(*_, **__):
        raise refusal(status, "search of CarePlan", {"resourceType": "OperationOutcome"})

    episode = Episode("https://alder-quay.example", "https://alder-quay.example/p", Identifier("urn:x", "1"), 1)
    with Server(pushed) as client:
        monkeypatch.setattr(client, "search", refuses)
        assert under_another_number(client, episode) == []
