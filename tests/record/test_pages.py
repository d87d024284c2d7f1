"""A page of a search is not the whole of it (FHIR R4, RESTful API, paging; Bundle.link, Bundle.total)."""

from __future__ import annotations

import pytest

from waykeeper.findings import catalogue
from waykeeper.record import missing, pages_of

AT = "https://ehr.example/fhir?page="


def page(number, last, held=20, total=None, modes=("match",), **more):
    links = [{"relation": "self", "url": f"{AT}{number}"}]
    links += [{"relation": "next", "url": f"{AT}{number + 1}"}] if number < last else []
    entries = [{"search": {"mode": mode}} if mode else {} for mode in modes for _ in range(held)]
    said = {"resourceType": "Bundle", "type": "searchset", "link": links, "entry": entries}
    return said | ({"total": total} if total is not None else {}) | more


def told(*documents):
    return missing([page for document in documents for page in pages_of(document)])


WHOLE = {
    "one page": [page(1, 1)],
    "all pages": [page(1, 3), page(2, 3), page(3, 3)],
    "all pages in any order": [page(3, 3), page(1, 3), page(2, 3)],
    "the total is there": [page(1, 1, 20, 20)],
    "pages by their total, other addresses": [page(1, 2, 20, 40), {**page(7, 7, 20, 40)}],
    "what was included is no match": [page(1, 1, 20, 20, ("match", "include"))],
    "an estimate": [page(1, 2, 20, 45), page(2, 2, 20, 45)],
    "no search": [{"resourceType": "Bundle", "type": "collection", "link": [{"relation": "next", "url": "x"}]}],
    "nothing found": [page(1, 1, 0, 0)],
    "no Bundle": [{"resourceType": "Patient"}, [], "x", None],
}
PART = {
    "the first page": [page(1, 3)],
    "the last is missing": [page(1, 3), page(2, 3)],
    "one in the middle is missing": [page(1, 3), page(3, 3)],
    "fewer than the total": [page(1, 1, 20, 57)],
    "more pages and fewer than the total": [page(1, 3, 20, 57)],
    "included ones that nothing marks do not make up for matches": [page(1, 2, 60, 57, (None,))],
    "inside of a batch": [{"resourceType": "Bundle", "type": "batch-response", "entry": [{"resource": page(1, 2)}]}],
    "in a list": [[page(1, 2)]],
}


@pytest.mark.parametrize("name", sorted(WHOLE))
def test_what_is_whole(name):
    assert told(*WHOLE[name]) == []


@pytest.mark.parametrize("name", sorted(PART))
def test_what_is_a_part(name):
    assert len(told(*PART[name])) == 1


def test_the_numbers_are_said():
    assert told(page(1, 1, 20, 57)) == ["a search found 57 and 20 of them are here"]


def test_the_examples_of_the_code():
    code = catalogue()["WKR105"]
    assert [bool(told(example)) for example in (code.raises[0], code.passes[0])] == [True, False]
