"""Whatever is sent, the answer is FHIR and never a fault of the sandbox, and a refused bundle leaves nothing behind."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from waykeeper.sandbox import Store
from waykeeper.sandbox.answers import Ask
from waykeeper.sandbox.search import pairs_of
from waykeeper.sandbox.service import Service

words = st.sampled_from(
    [
        "POST",
        "PUT",
        "GET",
        "DELETE",
        "PATCH",
        "Patient",
        "Patient/a",
        "Task?identifier=x|",
        "urn:uuid:1",
        "Bundle",
        "Binary",
        "",
        "transaction",
    ]
)
scalars = st.none() | st.booleans() | st.integers(-3, 3) | words | st.text(max_size=6)
names = st.sampled_from(
    [
        "resourceType",
        "id",
        "meta",
        "request",
        "method",
        "url",
        "fullUrl",
        "resource",
        "ifMatch",
        "reference",
        "entry",
        "type",
    ]
)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=4), max_leaves=12
)
entries = st.lists(
    values | st.fixed_dictionaries({"request": st.dictionaries(names, words | values, max_size=4), "resource": values}),
    max_size=3,
)


def checked(service, ask):
    answer = service.answer(ask)
    assert answer.status < 500, answer.body
    if answer.body:
        json.loads(answer.body)
    return answer


@settings(max_examples=examples(100), deadline=None)
@given(st.sampled_from(["transaction", "batch"]), entries)
def test_any_bundle_is_answered(kind, some):
    store = Store()
    answer = checked(Service(store), Ask("POST", (), body={"resourceType": "Bundle", "type": kind, "entry": some}))
    if kind == "transaction" and answer.status >= 400:
        assert store.history() == []
    store.close()


@settings(max_examples=examples(60), deadline=None)
@given(st.sampled_from(["POST", "PUT", "PATCH"]), values)
def test_any_body_is_answered(method, body):
    store = Store()
    checked(Service(store), Ask(method, ("Patient",) if method == "POST" else ("Patient", "a"), body=body))
    store.close()


@settings(max_examples=examples(100), deadline=None)
@given(
    st.sampled_from(
        [
            "_id",
            "patient",
            "status",
            "authored-on",
            "identifier",
            "_include",
            "_sort",
            "_count",
            "patient.name",
            "code:not",
        ]
    ),
    st.text(max_size=12),
)
def test_any_search_is_answered(name, value):
    store = Store()
    checked(Service(store), Ask("GET", ("Task",), ((name, value),)))
    store.close()


@settings(max_examples=examples(60), deadline=None)
@given(st.text(max_size=20))
def test_any_query_string_is_pairs_or_refused(text):
    from waykeeper.sandbox.refusals import Refusal

    try:
        found = pairs_of(text)
    except Refusal as refusal:
        assert refusal.code == "WKS216"
    else:
        assert all(len(pair) == 2 for pair in found)
