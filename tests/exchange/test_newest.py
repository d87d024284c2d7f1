"""Of several versions of a resource the newest; what has no name stays, and one reference is one patient."""

import pytest

from waykeeper.exchange.reading import newest
from waykeeper.findings import WaykeeperError

MRN = "https://alder-quay.example/mrn"


def patient(number, system=MRN):
    """A Patient of some server, always number 1 there."""
    return "Patient/1", {"resourceType": "Patient", "id": "1", "identifier": [{"system": system, "value": number}]}


def test_resources_without_a_name_all_stay():
    two = [("", {"resourceType": "Appointment", "description": word}) for word in ("first", "second")]
    assert newest(two) == two


def test_two_people_under_one_reference_are_refused():
    with pytest.raises(WaykeeperError) as refused:
        newest([patient("A-1"), patient("A-2")])
    assert [f.code for f in refused.value.findings] == ["WKX222"]


@pytest.mark.parametrize("other", [patient("A-1"), patient("9", "https://insurer.example")])
def test_one_person_read_twice_is_one(other):
    assert newest([patient("A-1"), other]) == [other]
