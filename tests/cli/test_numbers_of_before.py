"""A plan stays under the number that it was made with, also where the Patient has another one by now."""

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.plan.model import Identifier
from waykeeper.verbs.inputs import owned

MRN = "https://alder-quay.example/mrn"
PATIENT = {
    "resourceType": "Patient",
    "identifier": [{"system": MRN, "value": "AQ-1001", "use": "old"}, {"system": MRN, "value": "AQ-9001"}],
}


@pytest.mark.parametrize("value", ["AQ-1001", "AQ-9001"])
def test_an_old_number_is_hers_as_well(value):
    """FHIR R4, identifier-use: `old` is "no longer considered valid", not somebody else's."""
    owned(PATIENT, Identifier(MRN, value), "record.json")


def test_another_number_is_not():
    with pytest.raises(WaykeeperError) as refused:
        owned(PATIENT, Identifier(MRN, "AQ-1002"), "record.json")
    assert [f.code for f in refused.value.findings] == ["WKC209"]
