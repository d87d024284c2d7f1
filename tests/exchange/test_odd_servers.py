"""Servers that answer as FHIR allows and hardly anybody expects: absolute references, matches among other things."""

import json
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from exchange.faults import Fault, between
from merge.small import BLOOD, CALL, VISIT, compiled, new_identifier
from waykeeper.exchange import BadAnswerError, Server
from waykeeper.exchange.capabilities import lacking, survey
from waykeeper.exchange.noting import note
from waykeeper.exchange.own_names import named, relative_to
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import answers, bundle, read, read_all
from waykeeper.plan.model import Identifier
from waykeeper.sandbox import running
from waykeeper.verbs.inputs import identifier_of

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
PUBLIC = "https://fhir.ward.example/r4"  # what the server calls itself, whatever the address is by which it is reached
SLOW = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "informational"}]}
STAFF = {"resourceType": "Practitioner", "id": "p1"}


def absolute(base):
    """Every reference and fullUrl by this base, in the answers."""

    def change(body):
        def walked(part):
            if isinstance(part, list):
                return [walked(one) for one in part]
            if not isinstance(part, dict):
                return part
            return {key: whole(one) if key in ("reference", "fullUrl") else walked(one) for key, one in part.items()}

        def whole(said):
            if not isinstance(said, str):
                return walked(said)
            return f"{base}/{'/'.join(said.split('/')[-2:])}" if "/" in said else said

        return json.dumps(walked(json.loads(body))).encode() if body else body

    return change


def with_more(*entries):
    """Every search has these entries too."""

    def change(body):
        document = json.loads(body) if body else {}

        def add(part):
            if part.get("type") == "searchset":
                part["entry"] = [*(part.get("entry") or ()), *entries]
            for entry in part.get("entry") or ():
                if (entry.get("resource") or {}).get("resourceType") == "Bundle":
                    add(entry["resource"])

        add(document)
        return json.dumps(document).encode() if body else body

    return change


@contextmanager
def odd(change):
    with running() as url, between(url) as proxy:
        change = change or absolute(proxy.base)
        proxy.faults += [Fault(method, "", times=10**6, change=change) for method in ("GET", "POST", "PUT", "DELETE")]
        yield Server(proxy.base, sleep=lambda _: None), Server(url)


ODD = {
    "absolute, by the address that is used": None,
    "absolute, by another name of its own": absolute(PUBLIC),
    "outcomes among the matches": with_more({"search": {"mode": "outcome"}, "resource": {**SLOW, "id": "o"}}),
    "outcomes that do not say that they are none": with_more({"resource": SLOW}),
    "resources that nobody asked for": with_more({"search": {"mode": "include"}, "resource": STAFF}),
    "entries without a resource": with_more({"fullUrl": f"{PUBLIC}/Practitioner/p2"}),
}


@pytest.mark.parametrize("name", ODD)
def test_a_plan_lives_there_as_on_any_other_server(name):
    with odd(ODD[name]) as (server, behind):
        identifier = new_identifier()
        assert lacking(survey(server).abilities) == ()
        assert push(bundle(compiled(identifier)), server, now=NOW).findings == ()
        assert push(bundle(compiled(identifier)), server, now=NOW).changes == ()
        note(server, identifier, str(BLOOD), "done", by="Nurse Park", on=NOW.date())
        note(server, identifier, str(CALL), "contact", by="Nurse Park", on=NOW.date())
        note(server, identifier, str(VISIT), "owner", by="Nurse Park", on=None, text="Nurse Kim")
        plan, state = read(plan_resources(server, identifier))
        assert state.items[BLOOD].done_on == NOW.date() and state.items[VISIT].owner == "Nurse Kim"
        assert state.conflicts == () and len(state.items[CALL].contacts) == 1
        assert [p.items for p, _ in read_all(plan_resources(server, None))] == [plan.items]
        again = compiled(identifier, answers=answers(state))
        assert push(bundle(again), server, now=NOW).findings == ()
        assert withdraw(server, identifier, "surgery cancelled", now=NOW).findings == ()
        assert withdraw(server, identifier, "surgery cancelled", now=NOW).changes == ()
        roots = [r for _, r in plan_resources(behind, identifier) if r["resourceType"] == "CarePlan"]
        assert {r["status"] for r in roots} == {"revoked"} and PUBLIC not in json.dumps(roots)


def test_what_lies_on_another_server_stays_as_it_is_written():
    names = frozenset({PUBLIC})
    here, there = {"reference": f"{PUBLIC}/Task/1"}, {"reference": "https://other.example/r4/Task/1"}
    said = {"focus": here, "basedOn": [there], "url": f"{PUBLIC}/Task/1", "data": {"reference": [here]}}
    short = {"reference": "Task/1"}
    assert relative_to(names, said) == {**said, "focus": short, "data": {"reference": [short]}}
    near = {"reference": f"{PUBLIC}2/Task/1"}
    assert relative_to(names, near) == near


def test_a_name_is_believed_where_all_matches_have_it():
    def match(base, number):
        resource = {"resourceType": "Task", "id": str(number)}
        return {"fullUrl": f"{base}/Task/{number}", "resource": resource, "search": {"mode": "match"}}

    one = {"resourceType": "Bundle", "type": "searchset", "entry": [match(PUBLIC, 1), match(PUBLIC, 2)]}
    two = {**one, "entry": [match(PUBLIC, 1), match("https://other.example/r4", 2)]}
    assert named(one) == {PUBLIC} and named(two) == frozenset() and named({"resourceType": "Task"}) == frozenset()
    batch = {"resourceType": "Bundle", "type": "batch-response", "entry": [{"resource": one}, {"resource": two}]}
    assert named(batch) == {PUBLIC}


class NoLists(Server):
    """A server that takes a list in a search for one value, which nothing has."""

    def searches(self, wanted, **options):
        lists = {kind for kind, params in wanted if "," in dict(params).get("patient", "")}
        return super().searches([(kind, params) for kind, params in wanted if kind not in lists], **options)

    def search(self, kind, params, **options):
        return [] if "," in dict(params).get("_id", "") else super().search(kind, params, **options)


def test_a_caseload_is_read_one_by_one_where_searches_take_no_lists():
    with running() as url:
        server = NoLists(url, sleep=lambda _: None)
        who = [new_identifier() for _ in range(3)]
        for identifier in who:
            push(bundle(compiled(identifier)), server, now=NOW)
        plans = [plan for plan, _ in read_all(plan_resources(server, None))]
        assert {plan.patient.identifier for plan in plans} == set(who)
        assert {plan.patient.name for plan in plans} == {"Robin Quill"} and len({len(p.items) for p in plans}) == 1
        plain = Server(url, sleep=lambda _: None)
        assert sorted(ref for ref, _ in plan_resources(plain, None)) == sorted(
            ref for ref, _ in plan_resources(server, None)
        )


NUMBERS = ("943 476 5919", "12,34", "a|b", "A&B=1", "A+B", "50%", "Ünï", "a#b", "a\\b", "a$b")


@pytest.mark.parametrize("number", NUMBERS)
def test_a_patient_is_found_again_whatever_the_number_holds(number):
    with running() as url:
        server = Server(url, sleep=lambda _: None)
        identifier = Identifier(new_identifier().system, number)
        for other in (compiled(new_identifier()), compiled(identifier)):
            assert push(bundle(other), server, now=NOW).findings == ()
        assert push(bundle(compiled(identifier)), server, now=NOW).changes == ()
        note(server, identifier, str(CALL), "contact", by="Nurse Park", on=NOW.date())
        (plan, state) = read(plan_resources(server, identifier))
        assert identifier_of(str(identifier), "--patient") == plan.patient.identifier == identifier
        assert len(state.items[CALL].contacts) == 1


def test_a_patient_who_was_not_asked_for_gets_no_plan():
    """A server, or what stands before it, that loses the body of a search and answers with whomever it has."""
    with running() as url, between(url) as proxy:
        server, (one, other) = Server(proxy.base, sleep=lambda _: None), (new_identifier(), new_identifier())
        push(bundle(compiled(one)), server, now=NOW)
        proxy.faults.append(Fault("POST", "/Patient/_search", times=9, request=lambda _: b""))
        with pytest.raises(BadAnswerError) as refused:
            push(bundle(compiled(other)), server, now=NOW)
        assert refused.value.findings[0].code == "WKX218"
        assert push(bundle(compiled(one)), server, now=NOW).changes == ()


def without_patient(body):
    """A request of which the server leaves the patient out, as it may with any parameter that it does not know."""
    document = json.loads(body)
    for entry in document["entry"]:
        kind, _, query = entry["request"]["url"].partition("?")
        kept = [pair for pair in query.split("&") if not pair.startswith("patient=")]
        entry["request"]["url"] = f"{kind}?{'&'.join(kept)}"
    return json.dumps(document).encode()


def test_a_plan_of_somebody_else_is_no_plan_of_this_patient():
    """The only plan that the server gives is another patient's: it was noted on, printed, moved and withdrawn."""
    with running() as url, between(url) as proxy:
        server, (one, other) = Server(proxy.base, sleep=lambda _: None), (new_identifier(), new_identifier())
        push(bundle(compiled(one)), server, now=NOW)
        patient = {"resourceType": "Patient", "identifier": [{"system": other.system, "value": other.value}]}
        server.send("POST", "Patient", patient)
        proxy.faults.append(Fault("POST", "#batch", times=99, request=without_patient))
        for act in (
            lambda: plan_resources(server, other),
            lambda: note(server, other, str(CALL), "done", by="Nurse Park", on=NOW.date()),
            lambda: withdraw(server, other, "cancelled", by="Nurse Park", now=NOW),
        ):
            with pytest.raises(BadAnswerError) as refused:
                act()
            assert refused.value.findings[0].code == "WKX218"
        assert plan_resources(server, one)
