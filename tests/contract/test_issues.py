"""Gaps written back as DetectedIssue and Task: once, followed from day to day, closed when the gap is gone."""

import json
import uuid
from collections import Counter
from datetime import UTC, datetime

import pytest

from golden.rewrite import BUNDLES
from waykeeper import verbs
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir.names import GAP_KINDS
from waykeeper.plan.model import Identifier
from waykeeper.validate import own_definitions, validate

CASE = BUNDLES / "demo-left"
WHO = Identifier("https://alder-quay.example/mrn", "AQ-1001")


@pytest.fixture
def server(whole_server):
    """The list of a server's gaps is of everybody there: in the sandbox, of nobody else's patients."""
    return whole_server


def document(name):
    return json.loads((CASE / name).read_text("utf-8"))


def somebody_else(server, folder):
    """A patient of her own for what other tests could not undo: of the demo's record, with nothing booked."""
    who = Identifier(WHO.system, f"AQ-{uuid.uuid4().hex[:12]}")
    record = folder / "record.json"
    record.write_text((CASE / "record.bundle.json").read_text("utf-8").replace(WHO.value, who.value), "utf-8")
    made = verbs.compile(
        "total-ankle-replacement", clinic="clinic-demo", patient=str(record), surgery="2026-03-18T07:30", side="left",
        anaesthesia="general", discharge="2026-03-19",
    )  # fmt: skip
    client = Server(server.base)
    push(made.bundle, client, now=datetime.now(UTC))
    return client, who


def filled(server):
    client = Server(server.base)
    client.bundle(document("record.bundle.json"))
    push(document("plan.bundle.json"), client, now=datetime.now(UTC))
    client.bundle(document("bookings.bundle.json"))
    return client


def words(reports):
    return Counter(d.word for one in reports for d in one.decisions if d.reference or d.changes)


def of_gaps(client, who=WHO):
    """Issues by kind and title, the one that stands before one that is closed; Tasks that act on one."""
    held = [r for _, r in plan_resources(client, who)]
    found = [r for r in held if r["resourceType"] == "DetectedIssue"]
    tasks = [r for r in held if r["resourceType"] == "Task" and r["code"]["coding"][0]["code"] == "act"]
    assert len(found) == len(tasks)
    found.sort(key=lambda r: r["status"] != "corrected")
    return {(kind(r), r["code"]["text"]): r for r in found}, tasks


def kind(issue):
    return next(c["code"] for c in issue["code"]["coding"] if c["system"] == GAP_KINDS)


def test_gaps_are_written_once_followed_and_closed(server):
    client = filled(server)
    listed = verbs.gaps(server.base, as_of="2026-06-26").worklist
    mine = [r for r in listed.gaps if r.identifier == str(WHO)]

    first = verbs.issues(to=server.base, as_of="2026-06-26")
    assert all(one.findings == () for one in first)
    issues, tasks = of_gaps(client)
    standing = [r for _, r in plan_resources(client, WHO) if r["resourceType"] == "DetectedIssue"
                and r["status"] != "corrected"]  # fmt: skip
    assert len(standing) == len(mine)
    assert {kind(r) for r in standing} == {r.verdict for r in mine}
    overdue = issues["overdue", "Three-month visit: overdue"]
    assert (overdue["status"], overdue["severity"]) == ("final", "high")
    assert [f.line() for r in [*issues.values(), *tasks] for f in validate(r, (own_definitions(),))
            if f.severity == "error"] == []  # fmt: skip

    again = verbs.issues(to=server.base, as_of="2026-06-26")
    assert [d for one in again for d in one.changes] == []

    later = verbs.issues(to=server.base, as_of="2026-07-03")  # the window closed on 2026-07-02
    assert {"create", "close"} <= set(words(later))
    issues, _ = of_gaps(client)
    assert issues["overdue", "Three-month visit: overdue"]["status"] == "corrected"
    assert issues["missed", "Three-month visit: missed"]["status"] == "final"


def test_a_push_of_the_plan_leaves_issues_alone(server):
    client = filled(server)
    verbs.issues(to=server.base, as_of="2026-06-26")
    before, tasks = of_gaps(client)
    push(document("plan.bundle.json"), client, now=datetime.now(UTC))
    after, still = of_gaps(client)
    assert {n: r["status"] for n, r in before.items()} == {n: r["status"] for n, r in after.items()}
    assert before
    assert Counter(t["status"] for t in tasks) == Counter(t["status"] for t in still)


def test_what_a_person_closed_or_took_up_stays(server):
    client = filled(server)
    verbs.issues(to=server.base, as_of="2026-06-26")
    issues, tasks = of_gaps(client)
    issue = issues["missed", "Six-week visit: missed"]
    task = next(
        t for t in tasks if t["focus"]["reference"].endswith(issues["overdue", "Three-month visit: overdue"]["id"])
    )
    for resource, status in ((issue, "amended"), (task, "in-progress")):
        reference = f"{resource['resourceType']}/{resource['id']}"
        entry = {"resource": {**resource, "status": status}, "request": {"method": "PUT", "url": reference}}
        client.bundle({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    verbs.issues(to=server.base, as_of="2026-07-03")
    issues, tasks = of_gaps(client)
    assert issues["missed", "Six-week visit: missed"]["status"] == "amended"
    assert next(t for t in tasks if t["id"] == task["id"])["status"] == "in-progress"


def test_a_withdrawal_closes_them_with_the_plan(server, tmp_path):
    """Nobody is to be called about a plan that is over, and nobody waits for the next report to hear so."""
    client, who = somebody_else(server, tmp_path)
    verbs.issues(to=server.base, as_of="2026-06-26")
    tasks = [t["id"] for t in of_gaps(client, who)[1] if t["status"] == "requested"]
    assert len(tasks) > 2
    taken = client.read(f"Task/{tasks[0]}")
    client.send("PUT", f"Task/{tasks[0]}", {**taken, "status": "in-progress"})
    now = datetime(2026, 6, 26, 12, tzinfo=UTC)
    dry = withdraw(client, who, "the patient died", dry_run=True, now=now)
    assert (
        dry.gaps_closed == 0
        and of_gaps(client, who)[1]
        and any(t["status"] == "requested" for t in of_gaps(client, who)[1])
    )
    told = withdraw(client, who, "the patient died", now=now)
    assert told.findings == () and told.gaps_closed > 2 and "closed: " in told.text()
    assert {t["status"] for t in of_gaps(client, who)[1] if t["id"] in tasks[1:]} == {"completed"}
    assert client.read(f"Task/{tasks[0]}")["status"] == "in-progress"  # somebody works on it
    again = withdraw(client, who, "said twice", now=now)
    assert not again.sent and again.gaps_closed == 0


def test_an_issue_that_a_person_deleted_is_made_again_and_the_others_go_on(server, tmp_path):
    client, who = somebody_else(server, tmp_path)
    day = "2026-06-26"  # as the others: on an earlier day gaps of theirs would go, and come back as new ones
    verbs.issues(to=server.base, as_of=day)
    found, _ = of_gaps(client, who)
    gone = next(iter(found.values()))
    mine = plan_resources(client, who)
    about = [ref for ref, r in mine if (r.get("focus") or {}).get("reference") == f"DetectedIssue/{gone['id']}"]
    proofs = [ref for ref, _ in client.search("Provenance", [("target", f"DetectedIssue/{gone['id']}")])]
    for ref in (*proofs, *about, f"DetectedIssue/{gone['id']}"):  # what points at another first
        assert client.send("DELETE", ref).status in (200, 204)
    verbs.issues(to=server.base, as_of=day)
    again, _ = of_gaps(client, who)
    assert again.keys() == found.keys()
