"""Allergies and pregnancies of a server are read beside the plans; where it does not give them, the list says so."""

from __future__ import annotations

import pytest

from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.reading import AT_ONCE, cautions_of_patients
from waykeeper.findings import finding

PEOPLE = [(f"Patient/{n}", {"resourceType": "Patient", "id": str(n)}) for n in range(AT_ONCE + 1)]
LATEX = ("AllergyIntolerance/1", {"resourceType": "AllergyIntolerance", "code": {"text": "Latex"}})


class Answering:
    """A server that refuses some types with a status and keeps in mind what it was asked."""

    def __init__(self, refused=(), status=403):
        self.refused, self.status, self.asked = refused, status, []

    def search(self, kind, pairs, *, private=False, lacking=None):
        self.asked.append((kind, dict(pairs)))
        if kind in self.refused:
            raise BadAnswerError(finding("WKX217", kind), self.status)
        return [LATEX] if kind == "AllergyIntolerance" and "Patient/0," in f"{dict(pairs)['patient']}," else []


def test_of_each_patient_and_of_the_observations_only_the_answer_about_a_pregnancy():
    server, lacking = Answering(), []
    assert cautions_of_patients(server, PEOPLE, lacking) == [LATEX]
    assert lacking == []
    assert [kind for kind, _ in server.asked] == [
        k for k in ("AllergyIntolerance", "Condition", "Observation") for _ in "12"
    ]
    asked = [pairs["patient"].split(",") for kind, pairs in server.asked if kind == "Condition"]
    assert sorted(one for some in asked for one in some) == sorted(ref for ref, _ in PEOPLE)
    assert {pairs["code"] for kind, pairs in server.asked if kind == "Observation"} == {"http://loinc.org|82810-3"}


@pytest.mark.parametrize("status", [400, 403, 404])
def test_what_is_refused_is_told_and_the_rest_is_read(status):
    server, lacking = Answering(("Condition", "Observation"), status), []
    assert cautions_of_patients(server, PEOPLE, lacking) == [LATEX]
    assert [f.code for f in lacking] == ["WKC225"]
    assert "no Condition and no Observation was given" in lacking[0].details
    assert "diagnoses are not compared" in lacking[0].details


def test_another_failure_is_one():
    with pytest.raises(BadAnswerError):
        cautions_of_patients(Answering(("Condition",), 500), PEOPLE, [])


def test_without_patients_nothing_is_asked():
    server = Answering()
    assert cautions_of_patients(server, [LATEX], []) == []
    assert server.asked == []
