"""Whose resources a record holds, where its Patient has no id of a server: two names are two people."""

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.record import read

PATIENT = {"resourceType": "Patient", "identifier": [{"system": "s", "value": "1"}]}
URN = "urn:uuid:5f0c1d0e-6d0b-4a57-8c5b-1f3b7a2f9c11"


def record(*subjects):
    """A Patient without an id, and an order for each of these subjects."""
    order = {"resourceType": "MedicationRequest", "status": "active", "intent": "order"}
    named = [
        (f"MedicationRequest/{n}", {**order, "id": str(n), "subject": {"reference": subject},
                                    "medicationCodeableConcept": {"text": f"medicine {n}"}})
        for n, subject in enumerate(subjects)
    ]  # fmt: skip
    return [(URN, PATIENT), *named]


@pytest.mark.parametrize("subjects", [(URN, URN), ("Patient/7", "Patient/7"), ("https://a.example/fhir/Patient/7",)])
def test_one_name_is_hers(subjects):
    assert len(read(record(*subjects)).medicines) == len(subjects)


@pytest.mark.parametrize(
    ("subjects", "others"),
    [
        ((URN, "Patient/999"), ["MedicationRequest/1"]),
        (("Patient/7", "Patient/999"), ["MedicationRequest/0", "MedicationRequest/1"]),
        ((URN, "Patient/7", "Patient/7"), ["MedicationRequest/1", "MedicationRequest/2"]),
    ],
)
def test_two_names_are_told(subjects, others):
    with pytest.raises(WaykeeperError) as refused:
        read(record(*subjects))
    (said,) = refused.value.findings
    assert (said.code, said.details) == ("WKR103", f"of another patient: {', '.join(others)}")
