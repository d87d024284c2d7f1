"""The client of bulk export against both servers: what was written comes to the folder, and `gaps` reads it there."""

import json
from datetime import UTC, date, datetime

import pytest

from exchange.faults import Fault, between
from merge.small import compiled, new_identifier
from waykeeper import verbs
from waykeeper.exchange import BadAnswerError, NoAnswerError, Server
from waykeeper.exchange.bulk import OUTSIDE, Wanted, export
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import one_patient, plan_resources
from waykeeper.fhir import bundle

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def pushed(server):
    """A server with a plan that was pushed just now, the moment before, and the identifier."""
    client, identifier = Server(server.base), new_identifier()
    begun = datetime.now(UTC).isoformat()
    push(json.loads(json.dumps(bundle(compiled(identifier)))), client, now=NOW)
    return client, begun, identifier


def names(held):
    return {(r["resourceType"], r["identifier"][0]["value"]) for _, r in held}


def read_back(folder):
    found = []
    for file in folder.glob("*.ndjson"):
        found += [json.loads(line) for line in file.read_text().splitlines()]
    return {(r["resourceType"], r["identifier"][0]["value"]) for r in found if r.get("identifier")}


def test_the_whole_system_since_a_moment(pushed, tmp_path):
    client, begun, identifier = pushed
    done = export(client, str(tmp_path / "out"), Wanted(since=begun))
    assert done.findings == () and done.moment
    assert names(plan_resources(client, identifier)) <= read_back(tmp_path / "out")
    lines = [line for file in (tmp_path / "out").glob("*.ndjson") for line in file.read_text().splitlines()]
    assert sum(done.counts.values()) == len(lines)
    assert {f.stat().st_mode & 0o777 for f in (tmp_path / "out").iterdir()} == {0o600}
    found = verbs.gaps(str(tmp_path / "out"), as_of=date(2026, 3, 2))
    assert {p.episode.patient for p, _ in found.plans} >= {identifier}


def test_a_group_gives_its_patients_with_their_tasks_and_nobody_elses(pushed, tmp_path):
    client, begun, identifier = pushed
    other = new_identifier()
    push(json.loads(json.dumps(bundle(compiled(other)))), client, now=NOW)
    patient = one_patient(client, identifier)[0]
    group = {"resourceType": "Group", "type": "person", "actual": True, "member": [{"entity": {"reference": patient}}]}
    made = client.send("POST", "Group", group, headers={"Prefer": "return=representation"})
    assert made.status == 201
    done = export(client, str(tmp_path / "out"), Wanted(made.document["id"], since=begun))
    assert done.findings == ()
    found = read_back(tmp_path / "out")
    assert names(plan_resources(client, identifier)) <= found and "Task" in {kind for kind, _ in found}
    assert not {value for _, value in found} & {value for _, value in names(plan_resources(client, other))}
    assert set(OUTSIDE) == {"Medication", "Task"}


def test_an_export_that_is_broken_off_goes_on(pushed, server, tmp_path):
    client, begun, identifier = pushed
    where, wanted = str(tmp_path / "out"), Wanted(types=("Patient", "Task", "Goal"), since=begun)
    with between(server.base) as proxy:
        with pytest.raises(NoAnswerError) as refused:
            export(Server(proxy.base, sleep=lambda _: None), where, wanted, wait=0.0)
        assert refused.value.findings[0].code == "WKX121"
        state = json.loads((tmp_path / "out" / "export.state").read_text())
        proxy.faults.append(Fault("GET", "$export-file" if server.name == "sandbox" else "Binary/", cut=True))
        done = export(Server(proxy.base), where, wanted)
        kick_offs = [1 for _, path in proxy.seen if path.partition("?")[0].endswith("$export")]
        assert [f.times for f in proxy.faults] == [0]
    assert len(kick_offs) == 1 and state["done"] is False
    kinds = {(kind, value) for kind, value in names(plan_resources(client, identifier)) if kind in wanted.types}
    assert kinds <= read_back(tmp_path / "out") and done.counts["Task"] >= 1


def test_types_that_do_not_exist_are_refused(server, tmp_path):
    with pytest.raises(BadAnswerError) as refused:
        export(Server(server.base), str(tmp_path / "out"), Wanted(types=("Tusk",)))
    assert refused.value.findings[0].code == "WKX123"
