"""Starting, loading, and what survives the end of the process."""

import json
import os
import signal
import subprocess
import sys

import pytest
import requests

from waykeeper.findings import WaykeeperError
from waykeeper.sandbox import Paging, Store, load_folder, running, serving
from waykeeper.sandbox.definitions import own_definitions, put_definitions
from waykeeper.sandbox.loading import files_in_order

PATIENT = {"resourceType": "Patient", "id": "ann", "birthDate": "1954-02-28"}
TASK = {"resourceType": "Task", "id": "t", "status": "ready", "intent": "plan", "for": {"reference": "Patient/ann"}}


def started(db):
    """`serve` in a process of its own; gives it and its base url."""
    code = "import sys; from waykeeper.sandbox import serve; serve(0, db=sys.argv[1])"
    child = subprocess.Popen([sys.executable, "-c", code, str(db)], stderr=subprocess.PIPE, text=True)
    word, _, base = child.stderr.readline().strip().partition(" ")
    assert word == "READY", child.stderr.read()
    return child, base


def ended(child, how):
    child.send_signal(how)
    child.wait(20)
    child.stderr.close()
    return child.returncode


def test_a_killed_server_keeps_every_answered_write(tmp_path):
    child, base = started(tmp_path / "sandbox.db")
    assert base.startswith("http://127.0.0.1:")
    for number in range(20):
        answer = requests.put(
            f"{base}/Patient/p{number}", json={"resourceType": "Patient", "id": f"p{number}"}, timeout=10
        )
        assert answer.status_code == 201
    assert ended(child, signal.SIGKILL) == -signal.SIGKILL
    child, base = started(tmp_path / "sandbox.db")
    found = requests.get(f"{base}/Patient?_summary=count", timeout=10).json()["total"]
    again = requests.put(f"{base}/Patient/p7", json={"resourceType": "Patient", "id": "p7"}, timeout=10)
    assert ended(child, signal.SIGINT) in (0, -signal.SIGINT)
    assert found == 20
    assert (again.status_code, again.headers["ETag"]) == (200, 'W/"1"')


def test_what_holds_records_is_for_its_owner_only(tmp_path):
    before = os.umask(0o022)
    try:
        with running(db=tmp_path / "sandbox.db") as base:
            requests.put(f"{base}/Patient/ann", json=PATIENT, timeout=10)
            modes = {file.name: file.stat().st_mode & 0o777 for file in tmp_path.iterdir()}
    finally:
        os.umask(before)
    assert modes and set(modes.values()) == {0o600}


def test_records_are_loaded_before_plans_and_plans_before_bookings(tmp_path):
    for name in ("a/bookings.bundle.json", "a/plan.bundle.json", "b/record.bundle.json", "clinic.ndjson", "note.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("{}")
    found = [path.name for path in files_in_order(tmp_path)]
    assert found == ["record.bundle.json", "clinic.ndjson", "plan.bundle.json", "bookings.bundle.json"]


def test_a_folder_of_bundles_resources_and_lines_is_loaded_and_served(tmp_path):
    collection = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": PATIENT}]}
    transaction = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": TASK, "request": {"method": "PUT", "url": "Task/t"}}],
    }
    (tmp_path / "record.json").write_text(json.dumps(collection))
    (tmp_path / "plan.bundle.json").write_text(json.dumps(transaction))
    lines = [
        {"resourceType": "Practitioner", "id": "who"},
        {"resourceType": "Organization", "id": "org", "name": "A clinic"},
    ]
    (tmp_path / "people.ndjson").write_text("\n".join(json.dumps(one) for one in lines) + "\n\n")
    with running(load=tmp_path) as base:
        for place in ("Patient/ann", "Task/t", "Practitioner/who", "Organization/org"):
            assert requests.get(f"{base}/{place}", timeout=10).status_code == 200, place


def filled(folder, files):
    """A store filled from files of one resource a line."""
    for name, lines in files.items():
        (folder / name).write_text("\n".join(json.dumps(one) for one in lines))
    store = Store()
    try:
        load_folder(store, folder)
    except WaykeeperError:
        store.close()
        raise
    return store


ACTIVE = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical", "code": "active"}]}
ALLERGY = {
    "resourceType": "AllergyIntolerance",
    "id": "a",
    "patient": {"reference": "Patient/ann"},
    "clinicalStatus": ACTIVE,
}
PLAN = {
    "resourceType": "CarePlan",
    "id": "c",
    "status": "active",
    "intent": "plan",
    "subject": {"reference": "Patient/ann"},
    "activity": [{"reference": {"reference": "Task/t"}}],
}


def test_the_files_of_an_export_may_refer_to_later_ones_and_to_one_another(tmp_path):
    # Names in the order of their types, one type a file: https://hl7.org/fhir/uv/bulkdata/export.html
    part_of = {**TASK, "basedOn": [{"reference": "CarePlan/c"}]}
    store = filled(
        tmp_path,
        {
            "AllergyIntolerance-1.ndjson": [ALLERGY],
            "CarePlan-1.ndjson": [PLAN],
            "Patient-1.ndjson": [PATIENT],
            "Task-1.ndjson": [part_of],
        },
    )
    found = [store.exists(*one.split("/")) for one in ("AllergyIntolerance/a", "CarePlan/c", "Patient/ann", "Task/t")]
    store.close()
    assert found == [True] * 4


def test_of_two_files_that_wait_the_later_one_s_resource_is_kept(tmp_path):
    first, last = ({**ALLERGY, "code": {"text": word}} for word in ("wool", "latex"))
    store = filled(tmp_path, {"a.ndjson": [first], "b.ndjson": [last], "c.ndjson": [PATIENT]})
    kept = json.loads(store.get("AllergyIntolerance", "a").body)
    store.close()
    assert kept["code"]["text"] == "latex"


def test_the_changes_of_an_export_are_not_written_over_by_the_older_version_that_waited(tmp_path):
    # what an export of changes (_since) gives replaces what stood: https://hl7.org/fhir/uv/bulkdata/export.html
    first, last = ({**ALLERGY, "code": {"text": word}} for word in ("wool", "latex"))
    (tmp_path / "1-whole").mkdir()
    (tmp_path / "2-changes").mkdir()
    files = {"1-whole/a.ndjson": [first], "1-whole/p.ndjson": [PATIENT], "2-changes/a.ndjson": [last]}
    store = filled(tmp_path, files)
    kept = json.loads(store.get("AllergyIntolerance", "a").body)
    store.close()
    assert kept["code"]["text"] == "latex"


def test_what_no_file_holds_is_named_with_the_file_and_the_line_that_refer_to_it(tmp_path):
    asked = {**ALLERGY, "id": "b", "recorder": {"reference": "Practitioner/nobody"}}
    with pytest.raises(WaykeeperError) as caught:
        filled(tmp_path, {"a.ndjson": [ALLERGY], "b.ndjson": [ALLERGY | {"id": "d"}, asked], "c.ndjson": [PATIENT]})
    line = caught.value.findings[0].line()
    assert "b.ndjson:2:1: WKS106 error: AllergyIntolerance.recorder.reference WKS210: there is no Practitioner" in line


def test_a_plan_that_waits_for_a_resource_is_sent_after_it(tmp_path):
    plan = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": TASK, "request": {"method": "PUT", "url": "Task/t"}}],
    }
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    store = filled(tmp_path, {"plan-patient.ndjson": [PATIENT]})
    assert store.exists("Task", "t")
    store.close()


def test_a_folder_without_a_resource_is_refused(tmp_path):
    with pytest.raises(WaykeeperError, match="WKS105"):
        load_folder(Store(), tmp_path)


def test_a_batch_with_a_refused_entry_stops_the_start_and_names_file_and_entry(tmp_path):
    batch = {
        "resourceType": "Bundle",
        "type": "batch",
        "entry": [{"resource": TASK, "request": {"method": "PUT", "url": "Task/t"}}],
    }
    (tmp_path / "plan.json").write_text(json.dumps(batch))
    store = Store()
    with pytest.raises(WaykeeperError) as caught:
        load_folder(store, tmp_path)
    store.close()
    line = caught.value.findings[0].line()
    assert "plan.json: WKS106 error: entry 0:" in line and "Patient/ann" in line


def test_two_at_once_do_not_see_each_other():
    with running() as one, running() as other:
        requests.put(f"{one}/Patient/ann", json=PATIENT, timeout=10)
        assert requests.get(f"{other}/Patient/ann", timeout=10).status_code == 404


def test_a_port_that_is_taken_is_named():
    with running() as base:
        port = int(base.split(":")[2].split("/")[0])
        with pytest.raises(WaykeeperError, match="WKS102"), running(port):
            pass


def test_the_page_size_can_be_set():
    with running(paging=Paging(default=2, most=3)) as base:
        for number in range(4):
            requests.put(f"{base}/Patient/p{number}", json={"resourceType": "Patient", "id": f"p{number}"}, timeout=10)
        assert len(requests.get(f"{base}/Patient", timeout=10).json()["entry"]) == 2
        assert len(requests.get(f"{base}/Patient?_count=50", timeout=10).json()["entry"]) == 3


def test_large_answers_are_packed_and_packed_bodies_are_read():
    import gzip

    with running() as base:
        packed = gzip.compress(json.dumps(PATIENT).encode())
        headers = {"Content-Type": "application/fhir+json", "Content-Encoding": "gzip"}
        assert requests.put(f"{base}/Patient/ann", data=packed, headers=headers, timeout=10).status_code == 201
        assert requests.get(f"{base}/metadata", timeout=10).headers["Content-Encoding"] == "gzip"
        broken = requests.put(f"{base}/Patient/ann", data=b"no gzip", headers=headers, timeout=10)
        assert broken.status_code == 400 and broken.json()["issue"][0]["details"]["coding"][0]["code"] == "WKS201"


def test_our_own_definitions_are_served_and_not_written_twice():
    store = Store()
    count = put_definitions(store)
    assert count == len(own_definitions())
    assert put_definitions(store) == 0
    assert all(store.exists(one["resourceType"], one["id"]) for one in own_definitions())
    store.close()


def test_a_conformance_resource_is_not_taken_from_outside():
    body = {"resourceType": "ValueSet", "id": "v", "status": "draft"}
    with running() as base:
        answer = requests.put(f"{base}/ValueSet/v", json=body, timeout=10)
    assert answer.status_code == 403 and os.environ.get("HOME", "") not in answer.text


def test_nothing_is_offered_outside_the_base():
    with running() as base:
        answer = requests.get(base.removesuffix("/fhir") + "/admin", timeout=10)
    assert answer.status_code == 405 and answer.json()["resourceType"] == "OperationOutcome"


def test_a_disk_that_is_full_is_said_and_nothing_half_written_stays(tmp_path, monkeypatch):
    """It ended as a failure of Waykeeper itself, and said that nothing could be taken back."""
    filled = serving.put_definitions

    def on_a_small_disk(store):
        filled(store)
        store._db.execute("PRAGMA max_page_count = 1")  # no page more than there are
        with store.transaction():
            for n in range(2000):
                store.put("Patient", f"p{n}", {"resourceType": "Patient", "id": f"p{n}"}, "PUT")

    monkeypatch.setattr(serving, "put_definitions", on_a_small_disk)
    with pytest.raises(WaykeeperError, match=r"WKS103.*database or disk is full"), running(db=tmp_path / "db"):
        pass
    monkeypatch.undo()
    with running(db=tmp_path / "db") as url:
        assert "entry" not in requests.get(f"{url}/Patient").json()
