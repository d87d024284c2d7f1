"""What can go wrong on the way: each fault on a real socket, by a proxy before both servers.

After each the server is complete or unchanged, the sentence says what to do, and a second push heals.

python tests/contract/test_faults.py --write     rewrites the table in src/waykeeper/exchange/README.md
"""

import json
import sys
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from email.utils import formatdate
from pathlib import Path

import pytest

from exchange.faults import TRIAL, Fault, between
from merge.small import compiled, new_identifier, patient
from waykeeper.exchange import Server
from waykeeper.exchange.errors import DroppedError
from waykeeper.exchange.pushing import PlanRefusedError, push
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import bundle
from waykeeper.findings import WaykeeperError

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
PARTS = 22
JSON = "application/fhir+json"
AWAY = {"Location": "https://elsewhere.example/"}
PATIENTS = "Patient/_search"


def outcome(code="processing", said="no"):
    issue = {"severity": "error", "code": code, "diagnostics": said}
    return {"resourceType": "OperationOutcome", "issue": [issue]}


def refusal(status, code="processing", said="no", **headers):
    return (status, JSON, json.dumps(outcome(code, said)).encode(), headers)


def inside(status, code):
    """An answer of 200 whose every entry is refused: the request never reached what it was for."""
    entry = {"response": {"status": str(status), "outcome": outcome(code)}}
    return lambda body: json.dumps(
        {"resourceType": "Bundle", "type": "transaction-response", "entry": [entry] * len(json.loads(body)["entry"])}
    ).encode()


def twice(body):
    """A search that finds a Patient a second time, under another id."""
    found = json.loads(body)
    if found.get("entry"):
        one = found["entry"][0]
        other = {**one, "fullUrl": f"{one['fullUrl']}x", "resource": {**one["resource"], "id": "other"}}
        found["entry"] = [one, other]
    return json.dumps(found).encode()


def stripped(body):
    """A server that loses our extension: its parts are gone when it is read back."""
    return body.replace(b"waykeeper.example/fhir/StructureDefinition/offered", b"lost.example/offered")


def wrong_version(body):
    """An update with a version that nobody has: what it would be like if somebody else wrote."""
    return body.replace(b'"ifMatch":"W/\\"0\\""', b'"ifMatch":"W/\\"77\\""')


def dangling(body):
    """A transaction in which a reference leads to nothing."""
    document = json.loads(body)
    task = next(e["resource"] for e in document["entry"] if e["resource"]["resourceType"] == "Task")
    task["focus"] = {"reference": "MedicationRequest/is-not-there"}
    return json.dumps(document).encode()


def forbidden(body):
    """A server that gives ids itself refuses an update of what is not there."""
    return b'"method":"PUT"' in body and b'W/\\"0\\"' in body


@dataclass(frozen=True)
class Case:
    """A fault; how the first push ends (0: it heals by itself), its code and sentence; may the server have written."""

    name: str
    fault: Fault
    exit: int
    code: str = ""
    says: str = ""
    written: bool = False


SOON = formatdate(time.time() - 60, usegmt=True)
CASES = [
    Case("connection refused", Fault("GET", "nothing"), 2, "WKX103", "running"),
    # RFC 9110, 15.3.3: the request might or might not eventually be acted upon
    Case("202", Fault(answer=(202, "text/plain", b"queued", {})), 3, "WKX301", "Wait until the server"),
    Case("202 after the commit", Fault(answer=(202, "", b"", {}), after=True), 3, "WKX301", "202", written=True),
    Case("400", Fault(answer=refusal(400)), 1, "WKX201", "400, no"),
    Case("400, a dangling reference", Fault(request=dangling), 1, "WKX201", "is-not-there"),
    Case("400, wrong version", Fault(answer=refusal(400, "conflict", "version")), 1, "WKX201", "400, version"),
    Case("401", Fault("POST", PATIENTS, answer=refusal(401, "login")), 2, "WKX202", "Check the credentials"),
    Case("401 in the middle", Fault(answer=refusal(401, "login")), 2, "WKX202", "Check the credentials"),
    Case("403", Fault(answer=refusal(403, "forbidden")), 1, "WKX202", "403"),
    Case("404 of the base", Fault("POST", PATIENTS, answer=refusal(404)), 1, "WKX203", "base address"),
    Case("404 in HTML", Fault("POST", PATIENTS, answer=(404, "text/html", b"<p>", {})), 1, "WKX203", "text/html"),
    Case("408", Fault(answer=refusal(408)), 3, "WKX301", "408"),
    Case("408 after the commit", Fault(answer=refusal(408), after=True), 3, "WKX301", "Run it again", written=True),
    Case("408 of a search", Fault("POST", PATIENTS, answer=refusal(408)), 0),
    Case("409 once", Fault(answer=refusal(409, "conflict")), 0),
    Case("409 always", Fault(answer=refusal(409, "conflict"), times=9), 1, "WKX204", "somebody else|another program"),
    Case("410", Fault(answer=refusal(410, "deleted")), 1, "WKX203", "410"),
    Case("412, several matches", Fault(answer=refusal(412, "multiple-matches")), 1, "WKX205", "doubles"),
    Case("413", Fault(answer=refusal(413, "too-long")), 1, "WKX206", "limit"),
    Case("413 in HTML", Fault(answer=(413, "text/html", b"<html>", {})), 1, "WKX206", "text/html"),
    Case("422", Fault(answer=refusal(422, "invalid", "Task.status")), 1, "WKX201", "Task.status"),
    Case("429 with seconds", Fault(answer=refusal(429, "throttled", **{"Retry-After": "1"})), 0),
    Case("429 with a date", Fault(answer=refusal(429, "throttled", **{"Retry-After": SOON})), 0),
    Case("429 of a search", Fault("POST", PATIENTS, answer=refusal(429, "throttled", **{"Retry-After": "1"})), 0),
    Case("429 in HTML", Fault(answer=(429, "text/html", b"<p>slow</p>", {"Retry-After": "1"})), 0),
    Case("429 always", Fault(answer=refusal(429, "throttled"), times=9), 1, "WKX207", "Run it again later"),
    Case("429 inside a transaction of 200", Fault(change=inside(429, "throttled")), 0, written=True),
    Case("409 inside a transaction of 200", Fault(change=inside(409, "conflict")), 0, written=True),
    Case("500", Fault(answer=refusal(500)), 1, "WKX208", "Run it again"),
    Case("500 after the commit", Fault(answer=refusal(500), after=True), 1, "WKX208", "nothing is written twice", True),
    Case("502", Fault(answer=(502, "text/html", b"<html>", {})), 3, "WKX301", "502"),
    Case("503 once", Fault(answer=refusal(503)), 0),
    Case("503 always", Fault(answer=refusal(503), times=9), 1, "WKX207", "later"),
    Case("504 after the commit", Fault(answer=(504, "", b"", {}), after=True), 3, "WKX301", "504", written=True),
    Case("HTML", Fault(answer=(200, "text/html", b"<html></html>", {})), 1, "WKX211", "text/html instead of JSON"),
    Case("a page of a proxy at the search", Fault("POST", PATIENTS, answer=(200, "text/html", b"<p>Sign in", {})), 1,
         "WKX211", "what stands between"),
    Case("cut off", Fault(short=40), 3, "WKX301", "Run it again", written=True),
    Case("truncated JSON", Fault(answer=(200, JSON, b'{"resourceType": "Bun', {}), after=True), 1, "WKX211",
         "no whole JSON", written=True),
    Case("no content type", Fault(answer=(200, "", b"{}", {})), 1, "WKX211", "no content type"),
    Case("wrong content type", Fault(answer=(200, "text/plain", b"{}", {})), 1, "WKX211", "text/plain"),
    Case("no Bundle in the answer", Fault(answer=(200, JSON, b"[]", {})), 1, "WKX211", "without a resource"),
    Case("redirected to another host", Fault("POST", PATIENTS, answer=(302, "", b"", AWAY)), 1, "WKX210", "redirected"),
    Case("redirected in the middle", Fault(answer=(307, "", b"", AWAY)), 1, "WKX210", "redirected"),
    Case("reset before the server", Fault(cut=True), 3, "WKX301", "Run it again"),
    Case("reset after the commit", Fault(cut=True, after=True), 3, "WKX301", "Run it again", written=True),
    Case("reset of a search", Fault("POST", PATIENTS, cut=True), 0),
    Case("duplicate matches", Fault("POST", PATIENTS, change=twice), 1, "WKX220", "2 patients"),
    Case("a trial that is cut off", Fault(path=TRIAL, cut=True), 3, "WKX301", "Run it again"),
    Case("a trial that meets a failure", Fault(path=TRIAL, answer=refusal(500)), 1, "WKX208", "trial of the server"),
    Case("a trial that has to wait", Fault(path=TRIAL, answer=refusal(429)), 0),
]  # fmt: skip


README = Path(__file__).parents[2] / "src/waykeeper/exchange/README.md"
BEGIN, END = "<!-- faults: generated -->", "<!-- end of faults -->"
ENDS = {0: "heals by itself", 1: "exit 1", 2: "exit 2", 3: "exit 3"}


def table():
    """The faults as a Markdown table."""
    rows = ["| fault | the push | code | the server afterwards |", "|---|---|---|---|"]
    for one in CASES:
        stands = "complete" if not one.exit else "complete or unchanged" if one.written else "unchanged"
        rows.append(f"| {one.name} | {ENDS[one.exit]} | {one.code} | {stands} |")
    return "\n".join(rows)


def with_table(text):
    """The README with the table that the cases give."""
    head, _, rest = text.partition(BEGIN)
    return f"{head}{BEGIN}\n{table()}\n{END}{rest.partition(END)[2]}"


def test_the_table_in_the_readme_is_these_cases():
    text = README.read_text("utf-8")
    assert text == with_table(text), "run: PYTHONPATH=tests python tests/contract/test_faults.py --write"


@pytest.fixture
def known(server):
    """A client past the proxy, an identifier whose Patient stands, and the compiled bundle."""
    identifier, direct = new_identifier(), Server(server.base)
    assert direct.send("POST", "Patient", patient(identifier)).status == 201
    return direct, identifier, json.loads(json.dumps(bundle(compiled(identifier))))


def standing(direct, identifier):
    """How many of our resources stand, each identifier once."""
    held = [r for _, r in plan_resources(direct, identifier) if r["resourceType"] != "Patient"]
    names = [r["identifier"][0]["value"] for r in held]
    assert len(set(names)) == len(names)
    return len(held)


def no_trace(direct):
    """No trial is left, whatever went wrong."""
    left = direct.search("Task", [("status", "draft"), ("code", "review")])
    return [ref for ref, r in left if str(r["code"].get("text")).startswith("Trial")] == []


@pytest.mark.parametrize("case", CASES, ids=[c.name for c in CASES])
def test_fault_on_the_way(known, server, case):
    direct, identifier, document = known
    with between(server.base) as proxy:
        base = proxy.base if case.code != "WKX103" else "http://127.0.0.1:9/fhir"
        proxy.faults.append(replace(case.fault))
        client = Server(base, sleep=lambda _: None)
        if case.exit:
            with pytest.raises(WaykeeperError) as refused:
                push(document, client, now=NOW)
            assert refused.value.exit_code == case.exit, str(refused.value)
            said = str(refused.value)
            assert [f.code for f in refused.value.findings] == [case.code] and "Traceback" not in said
            assert any(word in said for word in case.says.split("|")), said
            assert all(f.help for f in refused.value.findings)
        else:
            assert push(document, client, now=NOW).findings == ()
        complete = (PARTS,) if not case.exit else (0,)
        assert standing(direct, identifier) in ((0, PARTS) if case.written and case.exit else complete)
        proxy.faults.clear()
        assert push(document, Server(proxy.base, sleep=lambda _: None), now=NOW).findings == ()
    assert standing(direct, identifier) == PARTS
    assert push(document, direct, now=NOW).changes == ()


def test_the_wait_is_what_the_server_asks_for_and_no_longer(known, server):
    _, _, document = known
    waited = []
    with between(server.base) as proxy:
        for said in ("7", "86400", formatdate(time.time() + 20, usegmt=True)):
            proxy.faults.append(Fault(answer=refusal(429, "throttled", **{"Retry-After": said})))
        assert push(document, Server(proxy.base, sleep=waited.append), now=NOW).findings == ()
    assert waited[:2] == [7.0, 30.0] and 10 < waited[2] <= 20


def test_read_timeout_after_the_server_committed(known, server):
    direct, identifier, document = known
    patience = 3 if server.name == "sandbox" else 8
    with between(server.base) as proxy:
        proxy.faults.append(Fault(slow=patience + 1))
        with pytest.raises(WaykeeperError) as refused:
            push(document, Server(proxy.base, timeout=(5, patience)), now=NOW)
        assert refused.value.exit_code == 3 and [f.code for f in refused.value.findings] == ["WKX301"]
        time.sleep(1.5)
        assert standing(direct, identifier) == PARTS
        assert push(document, Server(proxy.base), now=NOW).changes == ()


def test_429_inside_a_batch_is_asked_again_entry_by_entry(known, server):
    direct, _, document = known
    push(document, direct, now=NOW)
    waited = []

    def late(body):
        found = json.loads(body)
        found["entry"][2:4] = [{"response": {"status": "429", "outcome": outcome("throttled")}}] * 2
        return json.dumps(found).encode()

    with between(server.base) as proxy:
        fault = Fault("POST", "", change=late)
        fault.path = "#batch"
        proxy.faults.append(fault)
        client = Server(proxy.base, sleep=waited.append)
        assert push(document, client, now=NOW).changes == ()
    assert fault.times == 0 and len(waited) == 1


def test_client_ids_forbidden(known, server):
    """The server then gives the ids; ours stay findable by identifier, and a second push changes nothing."""
    direct, identifier, document = known
    with between(server.base) as proxy:
        proxy.faults.append(Fault(path=TRIAL, times=9, only=forbidden, answer=refusal(404, "not-found", "HAPI-0959")))
        client = Server(proxy.base)
        assert push(document, client, now=NOW).findings == ()
        assert client.proven.form == "post"
    held = {r["identifier"][0]["value"]: ref.partition("/")[2] for ref, r in plan_resources(direct, identifier)}
    assert sum(value != given for value, given in held.items()) == PARTS + 1
    assert push(document, direct, now=NOW).changes == ()


def test_a_server_without_transactions_is_refused_with_a_list(known, server):
    direct, identifier, document = known
    with between(server.base) as proxy:
        refused_all = refusal(405, "not-supported", "transactions are switched off")
        proxy.faults += [Fault(path=TRIAL, times=99, answer=refused_all), Fault(times=99, answer=refused_all)]
        with pytest.raises(PlanRefusedError) as refused:
            push(document, Server(proxy.base), now=NOW)
    assert [f.code for f in refused.value.findings] == ["WKX112"]
    assert "transactions: no" in str(refused.value) and "switched off" in str(refused.value)
    assert "waykeeper server URL" in refused.value.findings[0].help
    assert standing(direct, identifier) == 0


def test_a_server_that_strips_extensions_is_refused_at_the_first_resource(known, server):
    direct, identifier, document = known
    with between(server.base) as proxy:
        proxy.faults.append(Fault("GET", "/Task/", times=99, change=stripped))
        with pytest.raises(PlanRefusedError) as refused:
            push(document, Server(proxy.base), now=NOW)
    assert [f.code for f in refused.value.findings] == ["WKX112"]
    assert "our extensions survive: no" in str(refused.value)
    assert standing(direct, identifier) == 0 and no_trace(direct)


def test_a_server_that_ignores_if_match_is_refused(known, server):
    """It would let a push overwrite what a nurse wrote a second ago."""
    direct, identifier, document = known

    def unguarded(body):
        sent = json.loads(body)
        for entry in sent["entry"]:
            entry["request"].pop("ifMatch", None)
        return json.dumps(sent).encode()

    with between(server.base) as proxy:
        proxy.faults.append(Fault(path=TRIAL, times=99, request=unguarded))
        with pytest.raises(PlanRefusedError) as refused:
            push(document, Server(proxy.base), now=NOW)
    assert "updates only of the version read (If-Match): no" in str(refused.value)
    assert standing(direct, identifier) == 0 and no_trace(direct)


def test_a_server_that_carries_out_half_a_transaction_is_refused(known, server):
    direct, identifier, document = known

    def piecemeal(body):
        """As a batch: what is refused does not stop the rest."""
        return body.replace(b'"type":"transaction"', b'"type":"batch"')

    with between(server.base) as proxy:
        proxy.faults.append(Fault(path=TRIAL, times=99, request=piecemeal))
        with pytest.raises(PlanRefusedError) as refused:
            push(document, Server(proxy.base), now=NOW)
    assert "transactions whole or not at all: no" in str(refused.value)
    assert standing(direct, identifier) == 0 and no_trace(direct)


def without_a_goal(body):
    """A server that silently loses one entry, and what leads to it."""
    document = json.loads(body)
    goals = [e for e in document["entry"] if e["resource"]["resourceType"] == "Goal"]
    document["entry"] = [e for e in document["entry"] if e not in goals]
    for entry in document["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] == "CarePlan":
            resource.pop("goal", None)
        if resource["resourceType"] == "Provenance":
            gone = [g.get("fullUrl") for g in goals]
            resource["target"] = [t for t in resource["target"] if t["reference"] not in gone]
    return json.dumps(document).encode()


def padded(body):
    """Its answer nevertheless says that everything went well."""
    found = json.loads(body)
    found["entry"].append({"response": {"status": "201 Created"}})
    return json.dumps(found).encode()


@pytest.mark.parametrize("change", [None, padded], ids=["an answer is missing", "every entry is answered"])
def test_an_entry_that_is_dropped_silently_is_sent_again(known, server, change):
    direct, identifier, document = known
    with between(server.base) as proxy:
        proxy.faults.append(Fault(request=without_a_goal, change=change))
        report = push(document, Server(proxy.base), now=NOW)
    assert [(f.code, f.severity) for f in report.findings] == [("WKX213", "warning")]
    assert "goal/walking goal" in report.findings[0].details
    assert standing(direct, identifier) == PARTS
    again = push(document, direct, now=NOW)
    assert again.changes == () and again.conflicts == ()


def test_an_entry_that_is_dropped_each_time_is_an_error_that_names_it(known, server):
    direct, identifier, document = known
    with between(server.base) as proxy:
        proxy.faults.append(Fault(request=without_a_goal, change=padded, times=9))
        report = push(document, Server(proxy.base), now=NOW)
        assert [(f.code, f.severity) for f in report.findings] == [("WKX230", "error")]
        assert "goal/walking goal: not there although it was sent twice" in report.findings[0].details
    assert standing(direct, identifier) == PARTS - 1


def test_a_resource_that_is_shown_in_part_is_not_written_back(known, server):
    direct, identifier, document = known
    push(document, direct, now=NOW)
    changed = json.loads(json.dumps(bundle(compiled(identifier))).replace("Call the patient", "Telephone the patient"))
    assert changed != document

    def in_part(body):
        return body.replace(b'"resourceType":"Task"', b'"resourceType":"Task"').replace(
            b'"tag":[',
            b'"tag":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED"},',
        )

    with between(server.base) as proxy:
        proxy.faults.append(Fault("POST", "#batch", times=99, change=in_part))
        with pytest.raises(PlanRefusedError) as refused:
            push(changed, Server(proxy.base), now=NOW)
    assert {f.code for f in refused.value.findings} == {"WKX113"}


def test_a_dropped_answer_is_a_kind_of_its_own():
    assert issubclass(DroppedError, WaykeeperError) and DroppedError.exit_code == 1


if __name__ == "__main__" and "--write" in sys.argv:
    README.write_text(with_table(README.read_text("utf-8")), "utf-8")
