"""Creatinine and weight are read of those only for whom something was proposed by them."""

from __future__ import annotations

import pytest

from exchange.test_cautions_from_server import Answering
from waykeeper.exchange.reading import kidney_values
from waykeeper.fhir.extensions import encode
from waykeeper.fhir.names import HOLD


def hold(patient: str, *parts) -> tuple[str, dict]:
    proposed = ("proposed", {"extension": encode("", parts)["extension"]})
    made = {"resourceType": "MedicationRequest", "subject": {"reference": patient}}
    return f"MedicationRequest/{patient[-1]}", made | {"extension": [encode(HOLD, [("medicine", "x"), proposed])]}


HELD = [
    hold("Patient/1", ("decision", "hold"), ("clearance", "81.11")),
    hold("Patient/2", ("decision", "hold")),
    ("Task/3", {"resourceType": "Task", "for": {"reference": "Patient/3"}}),
]


def test_of_these_patients_and_nothing_else():
    server, lacking = Answering(), []
    assert kidney_values(server, HELD, lacking) == [] and lacking == []
    ((kind, pairs),) = server.asked
    assert (kind, pairs["patient"]) == ("Observation", "Patient/1")
    assert set(pairs["code"].split(",")) == {
        f"http://loinc.org|{code}" for code in ("2160-0", "14682-9", "29463-7", "3141-9")
    }


def test_where_nothing_was_proposed_by_them_nothing_is_asked():
    server = Answering()
    assert kidney_values(server, HELD[1:], []) == [] and server.asked == []


@pytest.mark.parametrize("status", [400, 403, 404])
def test_what_is_refused_is_told(status):
    lacking = []
    assert kidney_values(Answering(("Observation",), status), HELD, lacking) == []
    assert [f.code for f in lacking] == ["WKC225"] and "creatinine and weight" in lacking[0].details
