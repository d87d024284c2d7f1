"""A server that checks by an older form of our own definitions: what the user is told, and how they get there."""

import json
from datetime import UTC, datetime

import pytest

from exchange.faults import BATCH, TRANSACTION, Fault, between
from merge.small import compiled, new_identifier
from waykeeper.exchange import BadAnswerError, Server
from waykeeper.exchange.definitions import NO_SEARCH, install, installed
from waykeeper.exchange.errors import refusal
from waykeeper.exchange.pushing import push
from waykeeper.exchange.server import Answer
from waykeeper.fhir import bundle
from waykeeper.sandbox import running
from waykeeper.validate.own import own_definition_files

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
OUTCOME = {
    "resourceType": "OperationOutcome",
    "issue": [{"severity": "error", "code": "invariant", "diagnostics": "no such slice: weekday"}],
}
REFUSED = (422, "application/fhir+json", json.dumps(OUTCOME).encode(), {})


def ours():
    found = [json.loads(text) for text in own_definition_files()]
    return {(one["resourceType"], one["id"]): one for one in found if one["resourceType"] != "ValueSet"}


def without(definition, word):
    """The definition as it was before a part was added."""
    elements = [e for e in definition["snapshot"]["element"] if word not in e["id"]]
    assert len(elements) < len(definition["snapshot"]["element"])
    return {**definition, "snapshot": {"element": elements}}


class Shelf(Server):
    """A server that holds definitions, each under an id of its own."""

    def __init__(self, *held):
        super().__init__("http://127.0.0.1:1/fhir")
        self.held = {f"{one['resourceType']}/{n}": {**one, "id": str(n)} for n, one in enumerate(held, 1)}
        self.sent = []

    def searches(self, wanted, **options):
        urls = {url for _, params in wanted for url in dict(params)["url"].split(",")}
        return [(ref, one) for ref, one in self.held.items() if one["url"] in urls]

    def send(self, method, path, body=None, *, headers=None, form=False, repeatable=False):
        ref = path if method == "PUT" else f"{path}/{len(self.held) + 1}"
        self.sent.append((method, path, dict(headers or {})))
        self.held[ref] = {**body, "id": ref.partition("/")[2]}
        return Answer(200, "", self.held[ref])


def states(server):
    return {one.name: one.state for one in installed(server)}


def test_every_definition_is_put_where_none_is_and_then_stands():
    server = Shelf()
    assert set(states(server).values()) == {"absent"} and len(states(server)) == len(ours()) >= 9
    assert all(line.endswith("put there") for line in install(server))
    assert set(states(server).values()) == {"same"}
    assert {one["url"] for one in server.held.values()} == {one["url"] for one in ours().values()}
    assert all("url=" in headers["If-None-Exist"] for _, _, headers in server.sent)
    server.sent.clear()
    install(server)
    assert server.sent == []


def test_an_older_one_is_brought_up_to_date_and_a_newer_one_is_left():
    plan, task = ours()["StructureDefinition", "plan"], ours()["CodeSystem", "task"]
    newer = {**task, "concept": [*task["concept"], {"code": "of-next-year"}]}
    server = Shelf({**without(plan, "closed"), "meta": {"versionId": "7"}}, newer)
    (one,) = [i for i in installed(server) if i.name == "StructureDefinition plan"]
    assert one.state == "older" and any("closed" in name for name in one.lacks)
    assert states(server)["CodeSystem task"] == "other"
    said = install(server)
    assert "StructureDefinition plan: brought up to this version" in said
    assert ("PUT", "StructureDefinition/1", {"If-Match": 'W/"7"'}) in server.sent
    assert states(server)["StructureDefinition plan"] == "same"
    assert server.held["CodeSystem/2"] == {**newer, "id": "2"}
    assert any("left as it is" in line for line in said)


def test_a_type_that_changed_is_older_too():
    plan = ours()["StructureDefinition", "plan"]
    elements = [dict(e) for e in plan["snapshot"]["element"]]
    typed = next(e for e in elements if e["id"] == "Extension.extension:weekday.value[x]")
    typed["type"] = [{"code": "code"}]
    server = Shelf({**plan, "snapshot": {"element": elements}})
    (one,) = [i for i in installed(server) if i.name == "StructureDefinition plan"]
    assert one.state == "older" and one.lacks == (typed["id"],)


def changed(definition, **more):
    return {**definition, **more}


def with_element(definition, **more):
    """The definition with its last element changed."""
    *first, last = definition["snapshot"]["element"]
    return {**definition, "snapshot": {"element": [*first, {**last, **more}]}}


@pytest.mark.parametrize(
    "theirs",
    [
        lambda plan: changed(without(plan, "closed"), publisher="Another Hospital"),
        lambda plan: changed(without(plan, "closed"), version="99.0.0"),
        lambda plan: with_element(without(plan, "closed"), max="7"),
        lambda plan: with_element(plan, min=1),
        lambda plan: with_element(plan, constraint=[{"key": "hx-1", "severity": "error", "expression": "true"}]),
        lambda plan: {k: v for k, v in plan.items() if k != "snapshot"},
    ],
    ids=["publisher", "version", "number", "a number more", "constraint", "differential only"],
)
def test_what_somebody_else_made_of_ours_is_left(theirs):
    made = changed(theirs(ours()["StructureDefinition", "plan"]), meta={"versionId": "3"})
    server = Shelf(made)
    assert states(server)["StructureDefinition plan"] == "other"
    install(server)
    assert server.held["StructureDefinition/1"] == {**made, "id": "1"}


def test_without_a_version_nothing_is_written_over():
    made = without(ours()["StructureDefinition", "plan"], "closed")
    server = Shelf(made)
    assert states(server)["StructureDefinition plan"] == "older"
    assert any("does not say which version" in line for line in install(server))
    assert server.held["StructureDefinition/1"] == {**made, "id": "1"}


def test_a_server_without_such_searches_is_said_to_have_none():
    class Silent(Shelf):
        def searches(self, wanted, **options):
            raise refusal(404, "search of StructureDefinition", {})

    assert installed(Silent()) == () and install(Silent()) == (NO_SEARCH,)


def older_plan(body):
    document = json.loads(body)
    for entry in document["entry"]:
        for one in (entry.get("resource") or {}).get("entry") or ():
            if one["resource"].get("id") == "plan" and one["resource"]["resourceType"] == "StructureDefinition":
                one["resource"] = without(one["resource"], "closed")
    return json.dumps(document).encode()


@pytest.mark.parametrize(("older", "codes"), [(True, ["WKX201", "WKX215"]), (False, ["WKX201"])])
def test_a_refused_push_says_that_the_definitions_are_older(older, codes):
    with running() as url, between(url) as proxy:
        proxy.faults.append(Fault("POST", TRANSACTION, answer=REFUSED))
        asks = Fault("POST", BATCH, change=older_plan, only=lambda body: b"StructureDefinition?url=" in body)
        proxy.faults += [asks] if older else []
        with pytest.raises(BadAnswerError) as refused:
            push(bundle(compiled(new_identifier())), Server(proxy.base, sleep=lambda _: None), now=NOW)
    assert [f.code for f in refused.value.findings] == codes
    if older:
        told = refused.value.findings[1]
        assert "StructureDefinition plan" in told.details and "closed" in told.details
        assert "--install-definitions" in told.help
