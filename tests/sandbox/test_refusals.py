"""Both examples of every code of the catalogue that is the sandbox's are run."""

import json

import pytest
import requests

from waykeeper.findings import WaykeeperError, catalogue
from waykeeper.sandbox import Store, create_app
from waykeeper.sandbox.refusals import REFUSALS
from waykeeper.sandbox.service import Service
from waykeeper.sandbox.serving import _filled, _listen, hosting

OURS = {code: one for code, one in catalogue().items() if code.startswith("WKS")}


@pytest.fixture(scope="module")
def empty():
    """A running server, and a function that gives it a new empty store."""
    current = {}

    async def application(scope, receive, send):
        await current["app"](scope, receive, send)

    with hosting(application) as base:

        def renew():
            if current:
                current["store"].close()
            current["store"] = Store()
            current["app"] = create_app(current["store"])
            return base

        yield renew
        current["store"].close()


def send(base, one):
    """Send one request of an example."""
    headers = {"Content-Type": "application/json-patch+json" if one["method"] == "PATCH" else "application/fhir+json"}
    content = one.get("text") or (json.dumps(one["body"]) if "body" in one else None)
    if "spaces" in one:
        content = b" " * one["spaces"]
    if content is None:
        del headers["Content-Type"]
    path = ("" if one["path"].startswith("?") or not one["path"] else "/") + one["path"].replace("|", "%7C")
    return requests.request(
        one["method"], base + path, data=content, headers=headers | one.get("headers", {}), timeout=10
    )


def answered(base, examples, monkeypatch):
    """The answers to the requests, given to an empty sandbox one after the other."""
    found = []
    for one in examples:
        if one.get("broken"):
            monkeypatch.setattr(Service, "_route", lambda self, ask: 1 / 0)
        found.append(send(base, one))
    return found


def test_every_refusal_is_in_the_catalogue_and_the_other_way_round():
    assert set(REFUSALS) == {code for code in OURS if code.startswith("WKS2")}


@pytest.mark.parametrize("code", sorted(REFUSALS))
def test_the_example_is_refused_with_its_code(code, empty, monkeypatch):
    last = answered(empty(), OURS[code].raises, monkeypatch)[-1]
    issues = last.json()["issue"]
    assert last.status_code == REFUSALS[code][0]
    assert issues[0]["code"] == REFUSALS[code][1]
    assert last.json()["resourceType"] == "OperationOutcome" and issues[0]["severity"] == "error"
    named = issues[0]["details"]["coding"][0]["code"]
    assert named == code or (code == "WKS209" and named in catalogue())


@pytest.mark.parametrize("code", sorted(REFUSALS))
def test_the_other_example_is_answered(code, empty, monkeypatch):
    answers = answered(empty(), OURS[code].passes, monkeypatch)
    assert answers[-1].status_code < 300, answers[-1].text


def start(example, folder):
    """Do what an example of WKS1nn says, with the functions that `serve` and `running` begin with."""
    for name, text in example.get("files", {}).items():
        (folder / name).write_text(text)
    if "files" in example or "folder" in example:
        _filled(None, folder / example["folder"] if "folder" in example else folder).close()
    elif "db" in example:
        path = folder / "sandbox.db"
        if example["db"]:
            path.write_text(example["db"] * 20)
        _filled(path, None).close()
    else:
        _listen(example.get("port", 0)).close()


STARTING = sorted(set(OURS) - set(REFUSALS))


@pytest.mark.parametrize("code", STARTING)
def test_a_start_that_cannot_be_made_says_so(code, tmp_path):
    with pytest.raises(WaykeeperError) as caught:
        start(OURS[code].raises, tmp_path)
    assert [one.code for one in caught.value.findings] == [code]


@pytest.mark.parametrize("code", STARTING)
def test_a_start_that_can_be_made_is_made(code, tmp_path):
    start(OURS[code].passes, tmp_path)
