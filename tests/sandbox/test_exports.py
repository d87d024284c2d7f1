"""Bulk export: kick-off, status, manifest, files (FHIR Bulk Data Access 2.0)."""

import json

import pytest
import requests

from waykeeper.sandbox import running

ASYNC = {"Prefer": "respond-async", "Accept": "application/fhir+json"}


@pytest.fixture(scope="module")
def base():
    with running() as at:
        send = [{"resourceType": "Patient", "id": name} for name in ("ann", "bob")]
        for name in ("ann", "bob"):
            subject = {"reference": f"Patient/{name}"}
            send.append(
                {"resourceType": "Task", "id": f"task-{name}", "status": "ready", "intent": "plan", "for": subject}
            )
            send.append(
                {
                    "resourceType": "Flag",
                    "id": f"flag-{name}",
                    "status": "active",
                    "code": {"text": "x"},
                    "subject": subject,
                }
            )
        member = [{"entity": {"reference": "Patient/bob"}}]
        send.append({"resourceType": "Group", "id": "hips", "type": "person", "actual": True, "member": member})
        for one in send:
            answer = requests.put(f"{at}/{one['resourceType']}/{one['id']}", json=one, timeout=10)
            assert answer.status_code == 201, answer.text
        yield at


def exported(base, path, **params):
    """The resources of an export as `Type/id`, and its manifest and status url."""
    begun = requests.get(f"{base}/{path}", params=params, headers=ASYNC, timeout=10)
    assert begun.status_code == 202, begun.text
    status = begun.headers["Content-Location"]
    first = requests.get(status, timeout=10)
    assert first.status_code == 202 and first.headers["Retry-After"] == "1" and first.headers["X-Progress"]
    manifest = requests.get(status, headers={"Accept": "application/json"}, timeout=10).json()
    found = []
    for one in manifest["output"]:
        answer = requests.get(one["url"], headers={"Accept": "application/fhir+ndjson"}, timeout=10)
        assert answer.headers["Content-Type"].startswith("application/fhir+ndjson")
        lines = [json.loads(line) for line in answer.text.splitlines()]
        assert len(lines) == one["count"] and {line["resourceType"] for line in lines} == {one["type"]}
        found += [f"{line['resourceType']}/{line['id']}" for line in lines]
    return sorted(found), manifest, status


def test_the_system_export_holds_everything(base):
    found, manifest, _ = exported(base, "$export")
    everything = [
        "Flag/flag-ann",
        "Flag/flag-bob",
        "Group/hips",
        "Patient/ann",
        "Patient/bob",
        "Task/task-ann",
        "Task/task-bob",
    ]
    assert found == everything
    assert (
        manifest["requiresAccessToken"] is False
        and manifest["error"] == []
        and manifest["transactionTime"].endswith("Z")
    )


def test_only_the_types_that_were_asked_for(base):
    assert exported(base, "$export", _type="Task,Patient")[0] == [
        "Patient/ann",
        "Patient/bob",
        "Task/task-ann",
        "Task/task-bob",
    ]


def test_a_group_export_holds_its_members_compartments(base):
    assert exported(base, "Group/hips/$export", _type="Patient,Flag")[0] == ["Flag/flag-bob", "Patient/bob"]
    assert exported(base, "Patient/$export", _type="Flag")[0] == ["Flag/flag-ann", "Flag/flag-bob"]


def test_since_leaves_out_what_did_not_change(base):
    assert exported(base, "$export", _since="2999-01-01T00:00:00Z")[0] == []
    assert len(exported(base, "$export", _since="2000-01-01T00:00:00Z")[0]) == 7


def test_an_export_is_a_picture_of_its_kick_off(base):
    begun = requests.get(f"{base}/$export?_type=Task", headers=ASYNC, timeout=10).headers["Content-Location"]
    ready = requests.get(f"{base}/Task/task-ann", timeout=10).json()
    requests.put(f"{base}/Task/task-ann", json={**ready, "status": "completed"}, timeout=10)
    requests.get(begun, timeout=10)
    url = requests.get(begun, timeout=10).json()["output"][0]["url"]
    first = json.loads(requests.get(url, timeout=10).text.splitlines()[0])
    requests.put(f"{base}/Task/task-ann", json=ready, timeout=10)
    assert (first["id"], first["status"]) == ("task-ann", "ready")


def test_a_deleted_export_is_gone(base):
    _, _, status = exported(base, "$export", _type="Patient")
    assert requests.delete(status, timeout=10).status_code == 202
    assert requests.get(status, timeout=10).status_code == 404


@pytest.mark.parametrize(
    "query", ["_typeFilter=Task?status=ready", "_type=Banana", "_outputFormat=csv", "_since=yesterday"]
)
def test_what_is_not_offered_is_refused(base, query):
    answer = requests.get(f"{base}/$export?{query}", headers=ASYNC, timeout=10)
    assert answer.status_code == 400 and answer.json()["resourceType"] == "OperationOutcome"


def test_without_respond_async_it_is_refused(base):
    assert requests.get(f"{base}/$export", timeout=10).status_code == 400
    assert requests.get(f"{base}/Group/nobody/$export", headers=ASYNC, timeout=10).status_code == 404
