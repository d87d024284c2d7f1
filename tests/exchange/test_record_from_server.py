"""A record that a server holds: what was dispensed is asked for, and a Medication by the server's own address."""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import replace

import pytest
import requests

from exchange.faults import Fault, between
from waykeeper.exchange import Server
from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.kinds import RECORD
from waykeeper.exchange.reading import _medications, medications_of_orders, record_resources
from waykeeper.findings import finding
from waykeeper.plan.model import Identifier
from waykeeper.record import read
from waykeeper.sandbox import running

SYSTEM = "https://alder-quay.example/mrn"
SUBJECT = {"reference": "Patient/p"}


@pytest.fixture(scope="module")
def held():
    with running() as url:
        for resource in (
            {"resourceType": "Patient", "id": "p", "identifier": [{"system": SYSTEM, "value": "AQ-1"}]},
            {"resourceType": "Medication", "id": "m1", "code": {"text": "apixaban 5 mg tablet"}},
            {"resourceType": "Medication", "id": "m2", "code": {"text": "ibuprofen 200 mg"}},
            _order("o1", "Medication/m1"),
            _order("o2", "Medication/m2/_history/1"),
            {"resourceType": "MedicationDispense", "id": "d", "status": "completed", "subject": SUBJECT,
             "medicationCodeableConcept": {"text": "warfarin 5 mg"}, "whenHandedOver": "2026-03-01"},
        ):  # fmt: skip
            kind = f"{resource['resourceType']}/{resource['id']}"
            headers = {"Content-Type": "application/fhir+json"}
            assert requests.put(f"{url}/{kind}", json=resource, headers=headers, timeout=30).status_code < 300
        yield record_resources(Server(url), Identifier(SYSTEM, "AQ-1"))


def _order(name, target):
    return {"resourceType": "MedicationRequest", "id": name, "status": "active", "intent": "order", "subject": SUBJECT,
            "medicationReference": {"reference": target}}  # fmt: skip


def test_every_medicine_of_the_server_is_a_row_with_its_name(held):
    found = {entry.reference: entry.words for entry in read(held).medicines}
    assert found == {
        "MedicationRequest/o1": "apixaban 5 mg tablet", "MedicationRequest/o2": "ibuprofen 200 mg",
        "MedicationDispense/d": "warfarin 5 mg",
    }  # fmt: skip


class Asked:
    """A server that keeps what it is asked for: the sandbox and HAPI store no absolute reference to themselves."""

    base = "https://a.example/fhir"

    def __init__(self, *resources):
        self.held = {f"{r['resourceType']}/{r['id']}": r for r in resources}
        self.ids = []

    def searches(self, wanted, told):
        assert told
        names = [f"{kind}/{one}" for kind, params in wanted for one in dict(params)["_id"].split(",")]
        self.ids.append(names)
        return [(name, self.held[name]) for name in names if name in self.held]


def test_a_medication_by_the_servers_own_address_is_asked_for_and_anothers_is_not():
    server = Asked()
    targets = (
        f"{server.base}/Medication/1",
        f"{server.base}/Medication/2/_history/4",
        "https://b.example/Medication/3",
    )
    _medications(server, [_order(str(n), target) for n, target in enumerate(targets)])
    assert server.ids == [["Medication/1", "Medication/2"]]


def _of(name, *parts):
    made = [{"itemReference": {"reference": one}} for one in parts]
    return {"resourceType": "Medication", "id": name, "code": {"text": "Jentavix"}, "ingredient": made}


def _substance(name, text):
    return {"resourceType": "Substance", "id": name, "code": {"text": text}}


def test_ingredients_elsewhere_on_the_server_are_read_as_deep_as_a_medicine_goes():
    """FHIR R4, Medication.ingredient.itemReference: a Substance or a Medication."""
    held = _of("kit", "Medication/a", "Substance/s"), _of("a", "Substance/t", "Medication/kit"), _substance("s", "x")
    server = Asked(*held, _substance("t", "y"))
    found = _medications(server, [_order("1", "Medication/kit"), {"resourceType": "Patient"}])
    assert [name for name, _ in found] == ["Medication/kit", "Medication/a", "Substance/s", "Substance/t"]
    endless = Asked(*(_of(str(n), f"Medication/{n + 1}") for n in range(9)))
    assert len(_medications(endless, [_order("1", "Medication/0")])) == 3
    inside = {**_order("1", "#m"), "contained": [_of("m", "Substance/s")]}
    assert [name for name, _ in _medications(Asked(_substance("s", "x")), [inside])] == ["Substance/s"]


@pytest.mark.parametrize(("denied", "status", "told"), [("Substance", 403, True), ("Substance", 500, False),
                                                        ("Medication", 403, False)])  # fmt: skip
def test_substances_that_may_not_be_read_cost_their_names_and_not_the_list(denied, status, told):
    class Denying(Asked):
        def searches(self, wanted, **how):
            if any(kind == denied for kind, _ in wanted):
                raise BadAnswerError(finding("WKX202", "search"), status)
            return super().searches(wanted, **how)

    server, orders = Denying(_of("kit", "Substance/s")), [_order("1", "Medication/kit")]
    if not told:
        with pytest.raises(BadAnswerError):
            _medications(server, orders)
        return
    kit, (_, outcome) = _medications(server, orders)
    assert kit[0] == "Medication/kit"
    (said,) = read([("Patient/p", {"resourceType": "Patient", "id": "p"}), ("OperationOutcome/1", outcome)]).findings
    assert said.code == "WKR108" and "Substance" in said.details


def test_a_trade_name_is_known_by_a_substance_beside_the_record():
    order = _order("1", "Medication/m")
    held = [("Patient/p", {"resourceType": "Patient", "id": "p"}), ("MedicationRequest/1", order),
            ("Medication/m", _of("m", "Substance/s")), ("Substance/s", _substance("s", "warfarin"))]  # fmt: skip
    (row,) = read(held).medicines
    assert [part.words for part in row.parts] == ["warfarin"]
    (row,) = read(held[:-1]).medicines
    assert [part.words for part in row.parts] == [""], "not seen: asked about as one without a name"


# what a hospital's server does not offer


ABSENT = ("Consent", "Coverage")


def without(*kinds):
    """A CapabilityStatement as it would be without these types."""

    def change(body):
        statement = json.loads(body)
        for rest in statement["rest"]:
            rest["resource"] = [r for r in rest["resource"] if r["type"] not in kinds]
        return json.dumps(statement).encode()

    return change


def refusing(*kinds):
    """The answer to a batch as it would be from a server that knows no such types."""
    places = [n for n, kind in enumerate(RECORD) if kind in kinds]
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "not-supported"}]}

    def change(body):
        answer = json.loads(body)
        for place in places:
            answer["entry"][place] = {"response": {"status": "404 Not Found", "outcome": outcome}}
        return json.dumps(answer).encode()

    return change


@contextmanager
def server_with(*faults):
    with running() as url:
        patient = {"resourceType": "Patient", "id": "p", "identifier": [{"system": SYSTEM, "value": "AQ-1"}]}
        medicine = {"resourceType": "Medication", "id": "m1", "code": {"text": "apixaban 5 mg tablet"}}
        for resource in (patient, medicine, _order("o1", "Medication/m1")):
            kind = f"{resource['resourceType']}/{resource['id']}"
            headers = {"Content-Type": "application/fhir+json"}
            assert requests.put(f"{url}/{kind}", json=resource, headers=headers, timeout=30).status_code < 300
        with between(url) as proxy:
            proxy.faults += faults
            yield Server(proxy.base), proxy


def asked_for(server):
    return record_resources(server, Identifier(SYSTEM, "AQ-1"))


BATCH = Fault(path="#batch", change=refusing(*ABSENT))


def test_a_type_that_the_server_does_not_offer_is_told_and_the_rest_is_read():
    with server_with(replace(BATCH), Fault("GET", "metadata", change=without(*ABSENT))) as (server, proxy):
        record = read(asked_for(server))
    assert [m.reference for m in record.medicines] == ["MedicationRequest/o1"]
    (told,) = record.findings
    assert told.code == "WKR108" and "does not offer Consent, Coverage:" in told.details
    assert sum("metadata" in path for _, path in proxy.seen) == 1


def test_a_type_that_it_declares_and_refuses_is_a_failure():
    with server_with(replace(BATCH)) as (server, _), pytest.raises(BadAnswerError, match="search of Consent"):
        asked_for(server)


def test_a_server_without_batches_is_asked_one_by_one():
    no_batch = Fault(path="#batch", answer=(400, "application/json", b"{}", {}))
    gone = [Fault("GET", f"/{kind}?", answer=(404, "application/json", b"{}", {})) for kind in ABSENT]
    with server_with(no_batch, *gone, Fault("GET", "metadata", change=without(*ABSENT))) as (server, _):
        record = read(asked_for(server))
    assert [m.reference for m in record.medicines] == ["MedicationRequest/o1"]
    assert [f.code for f in record.findings] == ["WKR108"]


def test_what_the_server_holds_back_is_told():
    """FHIR R4, Bundle.entry.search.mode `outcome` and issue type `suppressed`."""
    issue = {"severity": "warning", "code": "suppressed", "details": {"text": "two results are held back"}}
    harmless = {"severity": "information", "code": "informational", "diagnostics": "one match"}
    told = {"resourceType": "OperationOutcome", "issue": [issue, harmless]}
    outcome = {"resource": told, "search": {"mode": "outcome"}}

    def change(body):
        answer = json.loads(body)
        for place in (0, 1):  # of two searches: told once
            answer["entry"][place]["resource"].setdefault("entry", []).append(outcome)
        return json.dumps(answer).encode()

    with server_with(Fault(path="#batch", change=change)) as (server, _):
        record = read(asked_for(server))
    assert [(f.code, f.severity, f.details) for f in record.findings] == [
        ("WKR108", "warning", "two results are held back")
    ]


@pytest.mark.parametrize("severity", ["warning", "information"])
def test_a_record_of_which_something_is_held_back_moves_no_plan(severity):
    """What is not given would look as if it were taken off the list: here all medicines, for a reason."""
    issue = {"severity": severity, "code": "suppressed", "diagnostics": "medicines withheld: consent"}
    outcome = {"resource": {"resourceType": "OperationOutcome", "issue": [issue]}, "search": {"mode": "outcome"}}

    def change(body):
        answer = json.loads(body)
        answer["entry"][RECORD.index("MedicationRequest")]["resource"] |= {"entry": [outcome], "total": 0}
        return json.dumps(answer).encode()

    with server_with(Fault(path="#batch", change=change, times=2)) as (server, _):
        record = read(asked_for(server))
        assert [(f.code, f.details) for f in record.findings] == [("WKR108", "medicines withheld: consent")]
        assert record.medicines == ()
        with pytest.raises(BadAnswerError, match=r"WKX217 .*medicines withheld: consent"):
            record_resources(server, Identifier(SYSTEM, "AQ-1"), whole=True)


def test_a_type_that_is_not_offered_is_nothing_held_back():
    with server_with(replace(BATCH), Fault("GET", "metadata", change=without(*ABSENT))) as (server, _):
        held = record_resources(server, Identifier(SYSTEM, "AQ-1"), whole=True)
    assert "MedicationRequest/o1" in dict(held)


def test_the_medications_of_a_list_are_read_and_what_is_not_given_is_told():
    """Without them an order that points at one says nothing, and another medicine in its place was passed over."""
    server, lacking = Asked({"resourceType": "Medication", "id": "m1"}), []
    held = [(f"MedicationRequest/{n}", _order(str(n), f"Medication/m{n}")) for n in range(1, 50)]
    held.append(("MedicationRequest/own", {"resourceType": "MedicationRequest", "medicationCodeableConcept": {}}))
    found = medications_of_orders(server, held, lacking)
    assert [ref for ref, _ in found] == ["Medication/m1"]
    assert len(server.ids) == 1 and len(server.ids[0]) == 49  # two searches in one batch
    assert [(f.code, f.details) for f in lacking] == [
        ("WKC225", "the Medication of 49 of the orders and statements was not given: nobody can say what these are")
    ]


def test_a_server_that_gives_no_medication_is_told_and_the_list_is_made_all_the_same():
    class Refusing(Asked):
        def searches(self, wanted, told):
            raise BadAnswerError(finding("WKX210", "refused"), 403)

    lacking = []
    assert medications_of_orders(Refusing(), [("MedicationRequest/1", _order("1", "Medication/1"))], lacking) == []
    assert [f.code for f in lacking] == ["WKC225"]
    assert medications_of_orders(Refusing(), [], lacking := []) == [] and lacking == []
