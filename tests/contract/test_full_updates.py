"""A push updates the whole resource as it was just read, with If-Match: what others put into it comes back unharmed.

This is why no PATCH is sent: on both servers a full update of what was read, guarded by its version, loses nothing.
"""

import json
from datetime import UTC, date, datetime

import pytest

from exchange.faults import Fault, between
from merge.small import CALL, HOLD, compiled, new_identifier
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.wire_json import Written, dumps
from waykeeper.fhir import answers, bundle, read

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
THEIRS = {
    "extension": {"url": "https://other.example/weight", "valueDecimal": Written("1.10")},
    "note": [{"text": "she prefers mornings", "authorString": "Nurse Park"}],
    "input": [{"type": {"text": "dose"}, "valueQuantity": {"value": Written("2.50"), "unit": "mg"}}],
    "contained": [{"resourceType": "Organization", "id": "o", "name": "Harbour pharmacy"}],
    "requester": {"reference": "#o"},
    "_authoredOn": {"extension": [{"url": "https://other.example/why", "valueString": "unknown"}]},
    "priority": "asap",
}


def state_of(client, identifier):
    return read(plan_resources(client, identifier))[1]


@pytest.fixture
def shared(server):
    """A plan in which somebody wrote many things into one of our Tasks: client, identifier, reference."""
    client, identifier = Server(server.base), new_identifier()
    push(json.loads(json.dumps(bundle(compiled(identifier)))), client, now=NOW)
    reference = state_of(client, identifier).items[CALL].references["task"]
    task = client.read(reference)
    made = {**task, **THEIRS, "extension": [*task["extension"], THEIRS["extension"]]}
    assert client.send("PUT", reference, made).status == 200
    return client, identifier, reference


def rewritten(client, identifier, words="Ring the patient"):
    """The plan with another title for the Task, compiled with what stands."""
    document = bundle(compiled(identifier, answers=answers(state_of(client, identifier))))
    text = json.dumps(document)
    assert "Call the patient" in text
    return json.loads(text.replace("Call the patient", words))


def test_what_others_put_into_a_resource_survives_our_update(shared, server):
    client, identifier, reference = shared
    before = client.read(reference)
    sent = []
    with between(server.base) as proxy:
        keep = Fault(request=lambda body: sent.append(body) or body)
        proxy.faults.append(keep)
        report = push(rewritten(client, identifier), Server(proxy.base), now=NOW)
    assert report.sent and report.findings == () and f'"{reference}"'.encode() in sent[0]
    after = client.read(reference)
    assert after["description"] != before["description"] and "Ring" in after["description"]
    for name in THEIRS.keys() - {"extension"}:
        assert dumps(after.get(name)) == dumps(before[name]), name
    theirs = [e for e in after["extension"] if e["url"] == THEIRS["extension"]["url"]]
    assert dumps(theirs) == dumps([e for e in before["extension"] if e["url"] == THEIRS["extension"]["url"]])
    for written in (dumps([after["input"], theirs]), sent[0]):
        assert b'"valueDecimal":1.10' in written and b'"value":2.50' in written


def test_an_edit_between_read_and_write_is_read_and_kept(shared, server):
    client, identifier, reference = shared
    document = rewritten(client, identifier)

    def nurse_first(body):
        task = client.read(reference)
        note = [*task["note"], {"text": "left a message"}]
        assert client.send("PUT", reference, {**task, "note": note}).status == 200
        return body

    with between(server.base) as proxy:
        proxy.faults.append(Fault(request=nurse_first))
        report = push(document, Server(proxy.base, sleep=lambda _: None), now=NOW)
    assert report.sent and report.findings == ()
    after = client.read(reference)
    assert [n["text"] for n in after["note"]] == ["she prefers mornings", "left a message"]
    assert "Ring" in after["description"]


def test_the_same_field_written_by_both_is_a_conflict_that_is_named(shared, server):
    client, identifier, reference = shared
    document = rewritten(client, identifier)

    def nurse_first(body):
        task = client.read(reference)
        assert client.send("PUT", reference, {**task, "description": "Visit the patient instead"}).status == 200
        return body

    with between(server.base) as proxy:
        proxy.faults.append(Fault(request=nurse_first))
        report = push(document, Server(proxy.base, sleep=lambda _: None), now=NOW)
    assert [str(q.key) for q in report.conflicts] == [str(CALL)] and "waiting for a person: task/call" in report.text()
    assert client.read(reference)["description"] == "Visit the patient instead"


def test_two_pushes_at_the_same_moment_of_different_plans_lose_nothing(server):
    """Two people push two versions of a text at once, beside a doctor's answer: one wins, the other reads again."""
    from concurrent.futures import ThreadPoolExecutor

    from waykeeper.exchange.noting import note

    client, identifier = Server(server.base), new_identifier()
    push(json.loads(json.dumps(bundle(compiled(identifier)))), client, now=NOW)
    note(client, identifier, str(HOLD), "answered", by="Dr Reed", on=date(2026, 3, 2), days=4)
    documents = [rewritten(client, identifier, words) for words in ("Ring the patient", "Phone the patient")]
    with ThreadPoolExecutor(2) as pool:
        waiting = [pool.submit(push, d, Server(server.base), now=NOW) for d in documents]
        done = [one.result() for one in waiting]
    assert all(report.findings == () for report in done)
    state = state_of(client, identifier)
    assert state.items[HOLD].answer.missed_days == 4 and "stop" in state.items[HOLD].references
    said = client.read(state.items[CALL].references["task"])["description"]
    assert "Ring" in said or "Phone" in said
    held = [r["identifier"][0]["value"] for _, r in plan_resources(client, identifier)]
    assert len(set(held)) == len(held)
