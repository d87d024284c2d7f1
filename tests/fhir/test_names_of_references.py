"""One function says what a Reference names. FHIR R4, hl7.org/fhir/R4/references.html: literal references are relative
or absolute and may name a version; logical ones have an identifier only; contained ones start with `#`."""

import pytest

from waykeeper.record import names_of, relative

CONTAINED = [{"resourceType": "Task", "id": "t", "identifier": [{"system": "s", "value": "1"}, {"use": "old"}]}]


@pytest.mark.parametrize(
    ("reference", "names"),
    [
        ({"reference": "Task/1"}, ("Task/1",)),
        ({"reference": "Task/1/_history/2"}, ("Task/1",)),
        ({"reference": "https://h.example/fhir/Task/1"}, ("Task/1",)),
        ({"reference": "https://h.example/fhir/Task/1/_history/2"}, ("Task/1",)),
        ({"reference": "/Task/1"}, ("Task/1",)),  # not legal; some write the path of the address
        ({"reference": "urn:uuid:5b7f1c9e"}, ("urn:uuid:5b7f1c9e",)),
        ({"reference": "Task?identifier=https://s.example/x|1"}, ("https://s.example/x|1",)),
        ({"identifier": {"system": "s", "value": "1"}}, ("s|1",)),
        ({"identifier": {"value": "1"}}, ("|1",)),
        ({"reference": "Task/1", "identifier": {"system": "s", "value": "1"}}, ("Task/1", "s|1")),
        ({"reference": "#t"}, ("s|1",)),
        ({"reference": "#other"}, ()),
        ({"display": "a task"}, ()),
        ({}, ()),
    ],
)  # fmt: skip
def test_names(reference, names):
    assert names_of([reference], CONTAINED) == names


def test_a_relative_reference_stays_as_it_is():
    assert relative("Task/1") == relative("https://h.example/a/b/Task/1/_history/9") == "Task/1"
