"""The client of bulk export against answers made up here: waiting, broken files, other hosts, what a folder holds."""

from __future__ import annotations

import json

import pytest
import responses

from waykeeper.exchange import BadAnswerError, CannotSendError, Connection, NoAnswerError, Server
from waykeeper.exchange.bulk import Wanted, export
from waykeeper.exchange.files import EXPORT_STATE

BASE = "https://fhir.example/r4"
KICK, STATUS, FILES = f"{BASE}/$export", f"{BASE}/status/1", f"{BASE}/files"
PATIENTS = b'{"resourceType":"Patient","id":"1"}\n{"resourceType":"Patient","id":"2"}\n'
NDJSON = "application/fhir+ndjson"
WANTED = Wanted(types=("Patient",))


@pytest.fixture
def net(monkeypatch):
    monkeypatch.delenv("WAYKEEPER_TOKEN", raising=False)
    with responses.RequestsMock(assert_all_requests_are_fired=False) as made:
        yield made


def manifest(**more):
    return {
        "transactionTime": "2026-03-01T12:00:00Z", "request": KICK, "requiresAccessToken": False,
        "output": [{"type": "Patient", "url": f"{FILES}/1", "count": 2}], "error": [], **more,
    }  # fmt: skip


def begin(net, *, said=None, file=PATIENTS):
    net.get(KICK, status=202, headers={"Content-Location": STATUS})
    net.get(STATUS, json=manifest() if said is None else said)
    net.get(f"{FILES}/1", body=file, content_type=NDJSON)
    net.delete(STATUS, status=202)


def run(tmp_path, wanted=WANTED, *, waited=None, wait=3600.0, token="", where="out"):
    server = Server(BASE, token=token, sleep=(waited if waited is not None else []).append)
    return export(server, str(tmp_path / where), wanted, wait=wait)


def code(caught):
    return caught.value.findings[0].code


def test_kick_off_files_and_farewell(net, tmp_path):
    begin(net)
    done = run(tmp_path)
    assert (tmp_path / "out/Patient-1.ndjson").read_bytes() == PATIENTS
    assert (done.counts, done.files, done.moment) == ({"Patient": 2}, ("Patient-1.ndjson",), "2026-03-01T12:00:00Z")
    first = net.calls[0].request
    assert first.headers["Prefer"] == "respond-async" and first.headers["Accept"] == "application/fhir+json"
    assert first.url == f"{KICK}?_type=Patient"
    assert net.calls[-1].request.method == "DELETE" and net.calls[-1].request.url == STATUS
    assert json.loads((tmp_path / "out" / EXPORT_STATE).read_text())["done"] is True


def test_group_and_since_are_asked_for(net, tmp_path):
    net.get(f"{BASE}/Group/g1/$export", status=202, headers={"Content-Location": STATUS})
    begin(net)
    run(tmp_path, Wanted("g1", ("Patient",), "2026-01-01T00:00:00Z"))
    assert net.calls[0].request.url.endswith("Group/g1/$export?_type=Patient&_since=2026-01-01T00%3A00%3A00Z")


@pytest.mark.parametrize("refuses", [True, False], ids=["refused", "left out without a word"])
def test_tasks_that_a_group_does_not_give_come_from_the_whole_system(net, tmp_path, refuses):
    """They are in no patient's compartment of R4; those of other patients stay out."""
    group = f"{BASE}/Group/g1/$export"
    if refuses:
        net.get(group, status=400, json={"resourceType": "OperationOutcome"})
    net.get(group, status=202, headers={"Content-Location": STATUS})
    net.get(STATUS, json=manifest())
    net.get(f"{FILES}/1", body=PATIENTS, content_type=NDJSON)
    net.get(KICK, status=202, headers={"Content-Location": f"{BASE}/status/2"})
    net.get(f"{BASE}/status/2", json=manifest(output=[{"type": "Task", "url": f"{FILES}/t"}]))
    lines = [
        {"resourceType": "Task", "id": known, **whose}
        for known, whose in (
            ("a", {"for": {"reference": "Patient/2"}}), ("b", {"for": {"reference": "Patient/9"}}), ("c", {}),
        )
    ]  # fmt: skip
    net.get(f"{FILES}/t", body=b"\n".join(json.dumps(line).encode() for line in lines), content_type=NDJSON)
    for status in (STATUS, f"{BASE}/status/2"):
        net.delete(status, status=202)
    done = run(tmp_path, Wanted("g1", ("Task",)))
    kept = [json.loads(line)["id"] for line in (tmp_path / "out/Task-1.ndjson").read_text().splitlines()]
    assert kept == ["a", "c"] and done.counts == {"Patient": 2, "Task": 2}
    asked = [c.request.url.partition("?")[2] for c in net.calls if "$export?" in c.request.url]
    assert asked[0] == "_type=Patient%2CTask" and asked[-1] == "_type=Task"


def test_polling_obeys_retry_after_up_to_a_cap_and_else_backs_off(net, tmp_path):
    net.get(KICK, status=202, headers={"Content-Location": STATUS})
    for headers in ({"Retry-After": "7"}, {"Retry-After": "9999"}, {}, {}):
        net.get(STATUS, status=202, headers=headers)
    net.get(STATUS, status=429, headers={"Retry-After": "3"})
    net.get(STATUS, json=manifest())
    net.get(f"{FILES}/1", body=PATIENTS, content_type=NDJSON)
    net.delete(STATUS, status=404)
    waited = []
    run(tmp_path, waited=waited)
    assert waited[:2] == [7.0, 30.0] and waited[2] < waited[3] <= 30 and waited[4] == 3.0


def test_a_server_that_takes_too_long_is_left_alone_and_taken_up_again(net, tmp_path):
    net.get(KICK, status=202, headers={"Content-Location": STATUS})
    net.get(STATUS, status=202, headers={"Retry-After": "20"})
    with pytest.raises(NoAnswerError) as refused:
        run(tmp_path, wait=50)
    assert code(refused) == "WKX121" and refused.value.exit_code == 3
    net.replace(responses.GET, STATUS, json=manifest())
    net.get(f"{FILES}/1", body=PATIENTS, content_type=NDJSON)
    net.delete(STATUS, status=202)
    assert run(tmp_path).counts == {"Patient": 2}
    assert sum(c.request.url.startswith(KICK) for c in net.calls) == 1


def test_an_export_that_the_server_forgot_is_begun_anew_and_its_old_files_go(net, tmp_path):
    net.get(KICK, status=202, headers={"Content-Location": STATUS})
    net.get(STATUS, status=202, headers={"Retry-After": "20"})
    with pytest.raises(NoAnswerError):
        run(tmp_path, wait=1)
    (tmp_path / "out/Patient-1.ndjson").write_bytes(b'{"resourceType":"Patient","id":"old"}\n')
    net.replace(responses.GET, STATUS, status=404, json={})
    net.get(f"{BASE}/status/2", json=manifest())
    net.replace(responses.GET, KICK, status=202, headers={"Content-Location": f"{BASE}/status/2"})
    net.get(f"{FILES}/1", body=PATIENTS, content_type=NDJSON)
    net.delete(f"{BASE}/status/2", status=202)
    run(tmp_path)
    assert (tmp_path / "out/Patient-1.ndjson").read_bytes() == PATIENTS


@pytest.mark.parametrize(
    "broken",
    [
        PATIENTS[:-12],
        PATIENTS[: len(PATIENTS) // 2],
        b'{"resourceType":"Patient","id":"1"}\n[]\n',
        PATIENTS.replace(b'"Patient","id":"2"', b'"Task","id":"2"'),
        b'{"resourceType":"Patient","id":"1"}\n<html>\n',
        b"",
    ],
)
def test_a_file_that_is_not_whole_is_fetched_again_and_never_left_behind(net, tmp_path, broken):
    net.get(KICK, status=202, headers={"Content-Location": STATUS})
    net.get(STATUS, json=manifest())
    net.get(f"{FILES}/1", body=broken, content_type=NDJSON)
    with pytest.raises(BadAnswerError) as refused:
        run(tmp_path)
    assert code(refused) == "WKX122" and "4 times" in str(refused.value)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [EXPORT_STATE]
    net.replace(responses.GET, f"{FILES}/1", body=PATIENTS, content_type=NDJSON)
    net.delete(STATUS, status=202)
    assert run(tmp_path).counts == {"Patient": 2}


def test_what_the_server_could_not_give_is_said_and_kept(net, tmp_path):
    outcomes = [
        {"resourceType": "OperationOutcome", "issue": [{"severity": severity, "code": "x", "diagnostics": said}]}
        for severity, said in (("warning", "slow"), ("error", "Appointments are missing"))
    ]
    body = b"".join(json.dumps(o).encode() + b"\n" for o in outcomes)
    begin(net, said=manifest(error=[{"type": "OperationOutcome", "url": f"{FILES}/e"}]))
    net.get(f"{FILES}/e", body=body, content_type=NDJSON)
    done = run(tmp_path)
    assert [(f.code, f.severity) for f in done.findings] == [("WKX122", "error"), ("WKX122", "warning")]
    assert "Appointments are missing" in done.findings[0].details
    assert (tmp_path / "out/errors-1.outcomes").read_bytes() == body


def test_what_was_deleted_is_counted_and_kept(net, tmp_path):
    entry = [{"request": {"method": "DELETE", "url": "Task/1"}}]
    gone = {"resourceType": "Bundle", "type": "transaction", "entry": entry}
    begin(net, said=manifest(deleted=[{"type": "Bundle", "url": f"{FILES}/d"}]))
    net.get(f"{FILES}/d", body=json.dumps(gone).encode(), content_type=NDJSON)
    assert run(tmp_path).deleted == 1 and (tmp_path / "out/deleted-1.bundles").exists()


def test_a_file_elsewhere_is_fetched_without_our_token(net, tmp_path):
    away = "https://store.example/1"
    begin(net, said=manifest(output=[{"type": "Patient", "url": away}]))
    net.get(away, body=PATIENTS, content_type=NDJSON)
    run(tmp_path, token="secret")
    told = {c.request.url: c.request.headers.get("Authorization") for c in net.calls}
    assert told[away] is None and told[STATUS] == "Bearer secret"


INSIDE = "http://fhir.inside.example:8080/r4"  # what the server calls itself behind a proxy


@pytest.mark.parametrize("told", ["by the settings", "by its statement", "by nobody"])
def test_an_export_behind_a_proxy_is_asked_for_by_the_name_of_the_proxy(net, tmp_path, told):
    """CapabilityStatement.implementation.url: "an absolute base URL for the implementation" (FHIR R4)."""
    stated = {"resourceType": "CapabilityStatement", "implementation": {"url": f"{INSIDE}/"}}
    net.get(f"{BASE}/metadata", json=stated if told == "by its statement" else {"resourceType": "CapabilityStatement"})
    net.get(KICK, status=202, headers={"Content-Location": STATUS.replace(BASE, INSIDE)})
    file = {"type": "Patient", "url": f"{FILES}/1".replace(BASE, INSIDE), "count": 2}
    net.get(STATUS, json=manifest(requiresAccessToken=True, output=[file]))
    net.get(f"{FILES}/1", body=PATIENTS, content_type=NDJSON)
    net.delete(STATUS, status=202)
    itself = INSIDE if told == "by the settings" else ""
    where = Connection(BASE, calls_itself=itself)
    if told == "by nobody":
        with pytest.raises(BadAnswerError) as refused:
            export(Server(where, token="secret"), str(tmp_path / "out"), WANTED)
        assert code(refused) == "WKX210" and "http://fhir.inside.example:8080" in str(refused.value)
        assert "calls_itself" in refused.value.findings[0].help
    else:
        assert export(Server(where, token="secret"), str(tmp_path / "out"), WANTED).counts == {"Patient": 2}
    assert {c.request.url.startswith(BASE) for c in net.calls} == {True}, "nothing goes to the other address"


@pytest.mark.parametrize(
    ("output", "more", "wrong"),
    [
        ("https://store.example/1", {"requiresAccessToken": True}, "WKX210"),
        ("http://store.example/1", {}, "WKX102"),
        ("ftp://store.example/1", {}, "WKX101"),
    ],
)
def test_files_that_are_not_fetched(net, tmp_path, output, more, wrong):
    begin(net, said=manifest(output=[{"type": "Patient", "url": output}], **more))
    with pytest.raises((BadAnswerError, CannotSendError)) as refused:
        run(tmp_path, token="secret")
    assert code(refused) == wrong and "secret" not in str(refused.value)


@pytest.mark.parametrize(
    ("said", "wrong"),
    [
        (
            {"resourceType": "OperationOutcome", "issue": [{"diagnostics": "no room"}]},
            "a list of files, no room",
        ),
        ([], "without a list of files"),
        ({"transactionTime": "2026-03-01T12:00:00Z"}, "output is no list"),
        (manifest(output="x"), "output is no list"),
        (manifest(output=[None]), r"output\[0\] names no file"),
        (manifest(output=[{"type": "Patient"}]), r"output\[0\] names no file"),
        (manifest(error=[None]), r"error\[0\] names no file"),
        (manifest(output=[{"type": "P" * 300, "url": f"{FILES}/1"}]), "a file without a type"),
    ],
)
def test_a_success_that_lists_no_files_is_no_export_of_nothing(net, tmp_path, said, wrong):
    begin(net, said=said)
    with pytest.raises(BadAnswerError, match=f"WKX211 .*{wrong}"):
        run(tmp_path)
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["export.state"]


def test_what_the_server_says_of_its_work_moves_no_cursor(net, tmp_path):
    begin(net)
    net.replace(responses.GET, STATUS, status=202, headers={"X-Progress": "half\x1b[2J\x9b31m"})
    net.get(STATUS, json=manifest())
    said = []
    export(Server(BASE, sleep=lambda _: None), str(tmp_path / "out"), WANTED, told=said.append)
    assert "the server is working: half[2J31m" in said


def test_a_file_elsewhere_is_not_shown_our_certificate(net, tmp_path):
    own = tmp_path / "own.pem"
    own.write_text("x")
    begin(net, said=manifest(output=[{"type": "Patient", "url": "https://store.example/1"}]))
    net.get("https://store.example/1", body=PATIENTS, content_type=NDJSON)
    server = Server(Connection(BASE, client_certificate=str(own)), sleep=lambda _: None)
    export(server, str(tmp_path / "out"), WANTED)
    shown = {c.request.url.split("/")[2]: c.request.req_kwargs.get("cert") for c in net.calls}
    assert shown == {"fhir.example": str(own), "store.example": None}


@pytest.mark.parametrize(
    ("answer", "wrong"),
    [
        ({"status": 400, "json": {"resourceType": "OperationOutcome"}}, "WKX123"),
        ({"status": 404, "body": "<html>", "content_type": "text/html"}, "WKX123"),
        ({"status": 401, "json": {}}, "WKX202"),
        ({"status": 200, "json": {"resourceType": "Bundle"}}, "WKX123"),
        ({"status": 202}, "WKX123"),
        ({"status": 202, "headers": {"Content-Location": "https://elsewhere.example/1"}}, "WKX210"),
    ],
)
def test_an_export_that_does_not_begin(net, tmp_path, answer, wrong):
    net.get(KICK, **answer)
    with pytest.raises(BadAnswerError) as refused:
        run(tmp_path)
    assert code(refused) == wrong
    assert list((tmp_path / "out").iterdir()) == []


def test_an_export_that_fails_on_the_server(net, tmp_path):
    net.get(KICK, status=202, headers={"Content-Location": STATUS})
    net.get(STATUS, status=500, json={"resourceType": "OperationOutcome", "issue": [{"diagnostics": "out of space"}]})
    with pytest.raises(BadAnswerError) as refused:
        run(tmp_path)
    assert code(refused) == "WKX208" and "out of space" in str(refused.value)


def test_a_folder_with_something_else_is_left_alone(net, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out/notes.txt").write_text("mine")
    with pytest.raises(CannotSendError) as refused:
        run(tmp_path)
    assert code(refused) == "WKX120" and "notes.txt" in str(refused.value) and len(net.calls) == 0


def test_a_folder_holds_one_export(net, tmp_path):
    begin(net)
    run(tmp_path)
    for wanted in (WANTED, Wanted(types=("Patient", "Task"))):
        with pytest.raises(CannotSendError) as refused:
            run(tmp_path, wanted)
        assert code(refused) == "WKX120"


def test_a_run_that_was_killed_while_it_wrote_its_first_state_is_no_other_export(net, tmp_path, monkeypatch):
    class KilledError(BaseException):
        """As of kill -9: what would tidy up does not run."""

    def killed(*_, **__):
        raise KilledError

    begin(net)
    with monkeypatch.context() as patch, pytest.raises(KilledError):
        patch.setattr("pathlib.Path.replace", killed)
        patch.setattr("pathlib.Path.unlink", killed)
        run(tmp_path)
    assert [p.name.startswith(f".{EXPORT_STATE}.") for p in (tmp_path / "out").iterdir()] == [True]
    assert run(tmp_path).counts == {"Patient": 2}


def test_a_file_where_the_folder_should_be(net, tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(CannotSendError) as refused:
        run(tmp_path)
    assert code(refused) == "WKX120" and refused.value.exit_code == 2
