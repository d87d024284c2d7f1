"""A server that drops an element of what it was given: the push that wrote it says so, for no later one can know."""

import json
from datetime import UTC, datetime

import pytest

from exchange.faults import TRANSACTION, Fault, between
from merge.small import CALL, compiled, new_identifier
from waykeeper.exchange import Server
from waykeeper.exchange.dropped import NOT_WHOLE, _within
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import bundle
from waykeeper.sandbox import running

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


def changing(kind, change):
    def work(body):
        document = json.loads(body)
        for entry in document["entry"]:
            if entry["resource"]["resourceType"] == kind:
                change(entry["resource"])
        return json.dumps(document).encode()

    return Fault("POST", TRANSACTION, times=9, request=work)


@pytest.fixture
def odd():
    with running() as url, between(url) as proxy:
        yield Server(proxy.base, sleep=lambda _: None), proxy.faults


@pytest.mark.parametrize(
    ("kind", "name"), [("Task", "restriction"), ("Task", "performerType"), ("Appointment", "requestedPeriod")]
)
def test_what_is_dropped_is_told_by_the_push_that_wrote_it(odd, kind, name):
    server, faults = odd
    faults.append(changing(kind, lambda r: r.pop(name, None)))
    found = push(bundle(compiled(new_identifier())), server, now=NOW).findings
    (said,) = [f for f in found if f"{kind}: {name} is not there as it was sent" in f.details]
    assert (said.code, said.severity, said.help) == ("WKX230", "error", NOT_WHOLE)


def test_a_date_that_a_server_rewrites_is_told(odd):
    server, faults = odd

    def earlier(task):
        task.get("restriction", {"period": {}})["period"]["end"] = "2026-01-01"

    faults.append(changing("Task", earlier))
    found = push(bundle(compiled(new_identifier())), server, now=NOW).findings
    assert any("Task: restriction is not there as it was sent" in f.details for f in found)


def test_what_a_server_adds_is_its_own_affair(odd):
    server, faults = odd

    def more(task):
        task["code"]["coding"].append({"system": "https://ehr.example/codes", "code": "7"})
        task["note"] = [{"text": "received"}]

    faults.append(changing("Task", more))
    identifier = new_identifier()
    assert [
        f for f in push(bundle(compiled(identifier)), server, now=NOW).findings if "as it was sent" in f.details
    ] == []
    task = next(r for _, r in plan_resources(server, identifier) if str(CALL) in json.dumps(r.get("extension")))
    assert task["note"] == [{"text": "received"}]


@pytest.mark.parametrize(
    ("sent", "stands", "whole"),
    [
        ({"a": [1, 2]}, {"a": [1, 2, 3], "b": 4}, True),
        ({"a": [1, 2]}, {"a": [2, 1]}, False),
        ({"a": [1, 2]}, {"a": [1]}, False),
        ({"a": {"b": "x"}}, {"a": "x"}, False),
        ({"a": "x"}, {}, False),
        ({"a": "x"}, None, False),
        ([{"a": 1}], [{"a": 1, "c": 2}], True),
    ],
)
def test_within(sent, stands, whole):
    assert _within(sent, stands) is whole
