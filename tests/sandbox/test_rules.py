"""The rules of bundles, searches and interactions that need no socket: what is refused, under which code and where."""

import base64
import copy
import json

import pytest

from waykeeper.sandbox import Store
from waykeeper.sandbox.answers import Ask
from waykeeper.sandbox.extract import rows_of
from waykeeper.sandbox.resource_json import NotJson, dump, parse
from waykeeper.sandbox.search import pairs_of
from waykeeper.sandbox.service import Paging, Service

ANN = {"resourceType": "Patient", "id": "ann"}
TASK = {"resourceType": "Task", "id": "t", "status": "ready", "intent": "plan", "for": {"reference": "Patient/ann"}}


@pytest.fixture
def service():
    store = Store()
    made = Service(store)
    for one in (ANN, TASK):
        assert made.answer(Ask("PUT", (one["resourceType"], one["id"]), body=one)).status == 201
    yield made
    store.close()


def asked(service, method, url, body=None, **headers):
    path, _, query = url.partition("?")
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    answer = service.answer(Ask(method, tuple(p for p in path.split("/") if p), tuple(pairs_of(query)), named, body))
    return answer.status, json.loads(answer.body) if answer.body else {}


def refusal(answer):
    """(status, our code, place) of the first issue."""
    status, body = answer
    issue = body["issue"][0]
    return status, issue["details"]["coding"][0]["code"], issue.get("expression", [""])[0]


def sent(service, *entries, kind="transaction"):
    return asked(service, "POST", "", {"resourceType": "Bundle", "type": kind, "entry": list(entries)})


def request(method, url, resource=None, **more):
    made = {"request": {"method": method, "url": url, **more}}
    return made | ({"resource": resource} if resource else {})


def binary(text, kind="application/json-patch+json"):
    return {"resourceType": "Binary", "contentType": kind, "data": base64.b64encode(text).decode()}


BUNDLES = {
    "absolute url": (request("GET", "http://127.0.0.1/fhir/Patient"), "WKS220", "Bundle.entry[0].request.url"),
    "malformed query": (request("GET", "Patient?x"), "WKS216", "Bundle.entry[0].request.url"),
    "delete with a resource": (request("DELETE", "Patient/ann", ANN), "WKS220", "Bundle.entry[0].resource"),
    "delete by condition": (request("DELETE", "Patient?active=true"), "WKS220", "Bundle.entry[0].request.url"),
    "post to an id": (request("POST", "Patient/ann", ANN), "WKS220", "Bundle.entry[0].request.url"),
    "patch without operations": (request("PATCH", "Task/t"), "WKS219", "Bundle.entry[0].resource"),
    "patch of another kind": (
        request("PATCH", "Task/t", binary(b"[]", "text/plain")),
        "WKS219",
        "Bundle.entry[0].resource.contentType",
    ),
    "patch that is no JSON": (request("PATCH", "Task/t", binary(b"[")), "WKS219", "Bundle.entry[0].resource.data"),
    "url of no type": (request("PUT", "Banana/x", {"resourceType": "Banana", "id": "x"}), "WKS204", "Bundle.entry[0]"),
    "reference to no type": (
        request("POST", "Task", {**TASK, "for": {"reference": "Banana?x=y"}}),
        "WKS204",
        "Bundle.entry[0].resource.for.reference",
    ),
    "conditional update without criteria": (request("PUT", "Patient", ANN), "WKS217", "Bundle.entry[0]"),
    "illegal resource": (
        request("POST", "Task", {**TASK, "status": "banana"}),
        "WKV",
        "Bundle.entry[0].resource.status",
    ),
}


@pytest.mark.parametrize("name", BUNDLES)
def test_a_transaction_that_breaks_a_rule_is_refused_with_the_place(service, name):
    entry, code, place = BUNDLES[name]
    before = len(service.store.history())
    status, found, where = refusal(sent(service, entry))
    assert 400 <= status < 500
    assert found.startswith(code)
    assert where == place or code == "WKV"
    assert len(service.store.history()) == before


def test_a_fullurl_twice_is_refused(service):
    twice = {**request("POST", "Patient", {"resourceType": "Patient"}), "fullUrl": "urn:uuid:1"}
    assert refusal(sent(service, twice, twice)) == (400, "WKS221", "Bundle.entry[1].fullUrl")


def test_a_conditional_put_in_a_transaction_updates_its_match(service):
    named = {**ANN, "identifier": [{"system": "urn:x", "value": "1"}]}
    asked(service, "PUT", "Patient/ann", named)
    without_id = {k: v for k, v in named.items() if k != "id"} | {"birthDate": "1954-02-28"}
    status, body = sent(service, request("PUT", "Patient?identifier=urn:x|1", without_id))
    assert status == 200 and body["entry"][0]["response"]["location"] == "Patient/ann/_history/3"


def test_a_batch_names_what_it_does_not_hold(service):
    status, body = sent(
        service, request("GET", "Banana/1"), request("GET", ""), request("GET", "metadata"), {"x": 1}, kind="batch"
    )
    assert status == 200
    assert [e["response"]["status"][:3] for e in body["entry"]] == ["404", "400", "200", "400"]


def test_an_outcome_comes_back_in_each_entry_where_it_is_preferred(service):
    bundle = {
        "resourceType": "Bundle",
        "type": "batch",
        "entry": [request("POST", "Patient", {"resourceType": "Patient"})],
    }
    _, body = asked(service, "POST", "", bundle, prefer="return=OperationOutcome")
    assert body["entry"][0]["response"]["outcome"]["issue"][0]["severity"] == "information"


@pytest.mark.parametrize(
    "query",
    [
        "_count=many",
        "_sort=banana",
        "_summary=text",
        "_total=maybe",
        "_include=Task",
        "_include=Task:status",
        "_include=*",
        "_include:all=Task:focus",
        "_count:not=1",
        "authored-on:missing=perhaps",
        "authored-on=ap2026",
        "authored-on=2026-13-01",
        "authored-on=2026-01-01,2026-01-02",
        "status=a|b|c",
        "status=|",
        "patient=a b",
        "status:text=x",
        "status=",
        "subject.name=x",
        "status.name=x",
        "patient:Banana=1",
        "_format=xml",
    ],
)
def test_a_search_that_cannot_be_read_is_refused(service, query):
    status, code, _ = refusal(asked(service, "GET", f"Task?{query}"))
    assert (status, code) in ((400, "WKS216"), (400, "WKS215"), (406, "WKS203"))


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("_id=t", 1),
        ("_id:not=t", 0),
        ("_id:missing=false", 1),
        ("_id:missing=true", 0),
        ("_lastUpdated=gt2020-01-01", 1),
        ("patient:Patient=ann", 1),
        ("subject:Patient._id=ann", 1),
        ("_sort=-_id,status,-authored-on", 1),
        ("_count=0", 1),
        ("status=rea\\,dy", 0),
        ("_summary=false&_total=none&_pretty=true", 1),
        ("subject=Group/ann", 0),
    ],
)
def test_a_search_that_can_be_read_is_answered(service, query, count):
    status, body = asked(service, "GET", f"Task?{query}")
    assert status == 200
    assert len(body.get("entry", ())) == count if query != "_count=0" else body["total"] == count


def test_a_logical_reference_is_found_by_its_identifier(service):
    owner = {"type": "Practitioner", "identifier": {"system": "urn:staff", "value": "7"}}
    asked(service, "PUT", "Task/t", {**TASK, "owner": owner})
    for query, count in (
        ("owner:identifier=urn:staff|7", 1),
        ("owner:identifier=urn:staff|8", 0),
        ("owner:missing=true", 1),
    ):
        assert len(asked(service, "GET", f"Task?{query}")[1].get("entry", ())) == count


def test_what_was_left_out_leniently_is_listed(service):
    _, body = asked(service, "GET", "Task?due=2026-03-18", prefer="handling=lenient")
    outcome = next(e["resource"] for e in body["entry"] if e["search"]["mode"] == "outcome")
    assert outcome["issue"][0]["severity"] == "warning" and "'due'" in outcome["issue"][0]["diagnostics"]
    assert "due" not in body["link"][0]["url"]


@pytest.mark.parametrize(
    ("method", "url", "code"),
    [
        ("GET", "", "WKS222"),
        ("PUT", "", "WKS222"),
        ("GET", "Task/t/note", "WKS222"),
        ("POST", "Task/t", "WKS222"),
        ("PATCH", "Task", "WKS222"),
        ("POST", "Task/$banana", "WKS222"),
        ("DELETE", "Task/_history", "WKS222"),
        ("GET", "Task/nobody/_history", "WKS205"),
        ("GET", "Task/t/_history/x", "WKS205"),
        ("GET", "Task/_history?_since=yesterday", "WKS216"),
        ("POST", "$export", "WKS222"),
        ("GET", "$export-file/1/x", "WKS230"),
        ("PATCH", "Task/nobody", "WKS205"),
    ],
)
def test_what_is_not_offered_is_refused(service, method, url, code):
    assert refusal(asked(service, method, url, []))[1] == code


def test_a_patch_may_change_neither_id_nor_type(service):
    for path, value, code in (("/id", "other", "WKS219"), ("/resourceType", "Flag", "WKS207")):
        operations = [{"op": "replace", "path": path, "value": value}]
        assert refusal(asked(service, "PATCH", "Task/t", operations))[1] == code


def test_a_reference_to_a_version_must_lead_to_that_version(service):
    for number, status in ((1, 201), (9, 400), ("x", 400)):
        flag = {
            "resourceType": "Flag",
            "status": "active",
            "code": {"text": "x"},
            "subject": {"reference": f"Patient/ann/_history/{number}"},
        }
        assert asked(service, "POST", "Flag", flag)[0] == status


def test_validate_takes_the_resource_as_it_is(service):
    status, body = asked(service, "POST", "Patient/$validate", {"resourceType": "Patient"})
    assert status == 200 and body["issue"][0]["severity"] == "information"


def test_only_so_many_searches_stay_open():
    store = Store()
    service = Service(store, Paging(default=1, most=1, open=2))
    for name in ("a", "b"):
        asked(service, "PUT", f"Patient/{name}", {"resourceType": "Patient", "id": name})
    pages = [asked(service, "GET", "Patient")[1]["link"][1]["url"].partition("/fhir")[2] for _ in range(3)]
    assert [asked(service, "GET", page)[0] for page in pages] == [410, 200, 200]
    store.close()


def test_a_timing_is_indexed_by_its_outer_limits():
    base = {"resourceType": "ServiceRequest", "id": "s", "status": "active", "intent": "plan"}
    events = rows_of({**base, "occurrenceTiming": {"event": ["2026-03-20", "2026-03-18"]}}).date
    period = {"start": "2026-03-18", "end": "2026-03-20"}
    bound = rows_of({**base, "occurrenceTiming": {"repeat": {"boundsPeriod": period}}}).date
    assert events == bound == rows_of({**base, "occurrencePeriod": period}).date
    assert rows_of({**base, "occurrenceTiming": {"repeat": {"frequency": 1}}}).date == []


@pytest.mark.parametrize("text", ['{"a": NaN}', '{"a": {"b": 1, "b": 2}}', "{", b"\xff", "[" * 100_000])
def test_text_that_is_no_json_says_what_it_is(text):
    with pytest.raises(NotJson) as caught:
        parse(text if isinstance(text, bytes) else text.encode())
    assert len(str(caught.value)) < 100


@pytest.mark.parametrize("number", ["1.10", "0.000000001", "100000000000000000000.5", "1E+3", "-0.0"])
def test_a_decimal_is_written_as_it_was_read(number):
    text = f'{{"a":{number}}}'.encode()
    assert dump(parse(text)) == dump(copy.deepcopy(parse(text))) == text


def test_what_json_cannot_hold_is_refused():
    with pytest.raises(TypeError):
        dump({"a": object()})
