"""A record that a server holds: what was dispensed is asked for, and a Medication by the server's own address."""

from __future__ import annotations

import pytest
import requests

from waykeeper.exchange import Server
from waykeeper.exchange.reading import _medications, record_resources
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

    def __init__(self):
        self.ids = ""

    def search(self, kind, params):
        self.ids = dict(params)["_id"]
        return []


def test_a_medication_by_the_servers_own_address_is_asked_for_and_anothers_is_not():
    server = Asked()
    targets = (
        f"{server.base}/Medication/1",
        f"{server.base}/Medication/2/_history/4",
        "https://b.example/Medication/3",
    )
    _medications(server, [_order(str(n), target) for n, target in enumerate(targets)])
    assert server.ids == "1,2"
