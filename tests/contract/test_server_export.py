"""Bulk export: the same cases against both servers."""

import json

import pytest
import requests

from contract.peers import wait_until
from waykeeper.sandbox.exports import COMPARTMENT
from waykeeper.sandbox.parameters import READ_ONLY, table

ASYNC = {"Prefer": "respond-async"}


def test_a_system_export_holds_what_was_written(talk):
    one = talk.made(
        {"resourceType": "Schedule", "identifier": [talk.identifier()], "actor": [{"reference": talk.patient()}]}
    )
    params = {"_type": "Schedule", "_since": one["meta"]["lastUpdated"]}
    begun = talk.get("$export", params, **ASYNC)
    assert begun.status_code == 202, begun.text
    status = begun.headers["Content-Location"]
    answers = []

    def done():
        answers.append(requests.get(status, headers={"Accept": "application/json"}, timeout=60))
        assert answers[-1].status_code in (200, 202), answers[-1].text
        return answers[-1].status_code == 200

    wait_until(done, 120)
    manifest = answers[-1].json()
    assert manifest["transactionTime"] and manifest["error"] == []
    assert {o["type"] for o in manifest["output"]} == {"Schedule"}
    found = set()
    for output in manifest["output"]:
        answer = requests.get(output["url"], headers={"Accept": "application/fhir+ndjson"}, timeout=60)
        found |= {json.loads(line)["id"] for line in answer.text.splitlines() if line.strip()}
    assert one["id"] in found


ALSO = {
    "Device",
    "Organization",
    "Practitioner",
}  # the real server adds what patients refer to: in the table of differences
OUTSIDE = sorted(set(table()) - set(COMPARTMENT) - set(READ_ONLY) - ALSO)


@pytest.mark.parametrize("kind", OUTSIDE)
def test_a_type_outside_the_patient_compartment_is_refused_for_patients(talk, kind):
    answer = talk.get("Patient/$export", {"_type": kind}, **ASYNC)
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_the_types_of_the_patient_compartment_are_taken_for_patients(talk):
    params = {"_type": ",".join(sorted(COMPARTMENT)), "_since": "2999-01-01T00:00:00Z"}
    assert talk.get("Patient/$export", params, **ASYNC).status_code == 202


def test_without_respond_async_it_is_refused(talk):
    answer = talk.get("$export", {"_type": "Patient"})
    assert answer.status_code == 400
