"""JSON Patch against the examples of RFC 6902, appendix A."""

import pytest

from waykeeper.sandbox.patches import patched
from waykeeper.sandbox.refusals import Refusal

# name, document, patch, result: RFC 6902 appendix A.1 to A.16
GOOD = [
    ("A.1", {"foo": "bar"}, [{"op": "add", "path": "/baz", "value": "qux"}], {"baz": "qux", "foo": "bar"}),
    ("A.2", {"foo": ["bar", "baz"]}, [{"op": "add", "path": "/foo/1", "value": "qux"}], {"foo": ["bar", "qux", "baz"]}),
    ("A.3", {"baz": "qux", "foo": "bar"}, [{"op": "remove", "path": "/baz"}], {"foo": "bar"}),
    ("A.4", {"foo": ["bar", "qux", "baz"]}, [{"op": "remove", "path": "/foo/1"}], {"foo": ["bar", "baz"]}),
    ("A.5", {"baz": "qux"}, [{"op": "replace", "path": "/baz", "value": "boo"}], {"baz": "boo"}),
    (
        "A.6",
        {"foo": {"bar": "baz", "waldo": "fred"}, "qux": {"corge": "grault"}},
        [{"op": "move", "from": "/foo/waldo", "path": "/qux/thud"}],
        {"foo": {"bar": "baz"}, "qux": {"corge": "grault", "thud": "fred"}},
    ),
    (
        "A.7",
        {"foo": ["all", "grass", "cows", "eat"]},
        [{"op": "move", "from": "/foo/1", "path": "/foo/3"}],
        {"foo": ["all", "cows", "eat", "grass"]},
    ),
    (
        "A.8",
        {"baz": "qux", "foo": ["a", 2, "c"]},
        [{"op": "test", "path": "/baz", "value": "qux"}, {"op": "test", "path": "/foo/1", "value": 2}],
        {"baz": "qux", "foo": ["a", 2, "c"]},
    ),
    (
        "A.10",
        {"foo": "bar"},
        [{"op": "add", "path": "/child", "value": {"grandchild": {}}}],
        {"foo": "bar", "child": {"grandchild": {}}},
    ),
    ("A.11", {"foo": "bar"}, [{"op": "add", "path": "/baz", "value": "qux", "xyz": 123}], {"foo": "bar", "baz": "qux"}),
    ("A.14", {"/": 9, "~1": 10}, [{"op": "test", "path": "/~01", "value": 10}], {"/": 9, "~1": 10}),
    (
        "A.16",
        {"foo": ["bar"]},
        [{"op": "add", "path": "/foo/-", "value": ["abc", "def"]}],
        {"foo": ["bar", ["abc", "def"]]},
    ),
]

BAD = [
    ("A.9", {"baz": "qux"}, [{"op": "test", "path": "/baz", "value": "bar"}]),
    ("A.12", {"foo": "bar"}, [{"op": "add", "path": "/baz/bat", "value": "qux"}]),
    ("A.15", {"/": 9, "~1": 10}, [{"op": "test", "path": "/~01", "value": "10"}]),
    ("true is not 1", {"a": True}, [{"op": "test", "path": "/a", "value": 1}]),
    ("past the end", {"a": [1]}, [{"op": "add", "path": "/a/2", "value": 2}]),
    ("leading zero", {"a": [1, 2]}, [{"op": "remove", "path": "/a/01"}]),
    ("replace nothing", {"a": 1}, [{"op": "replace", "path": "/b", "value": 2}]),
    ("remove the whole", {"a": 1}, [{"op": "remove", "path": ""}]),
    ("into itself", {"a": {"b": 1}}, [{"op": "move", "from": "/a", "path": "/a/b"}]),
    ("no value", {"a": 1}, [{"op": "add", "path": "/b"}]),
    ("no such op", {"a": 1}, [{"op": "merge", "path": "/b", "value": 1}]),
    ("no list", {"a": 1}, {"op": "add", "path": "/b", "value": 1}),
    ("no pointer", {"a": 1}, [{"op": "add", "path": "b", "value": 1}]),
    ("no text", {"a": 1}, [{"op": ["add"], "path": "/b", "value": 1}]),
    ("empty", {"a": 1}, []),
]


@pytest.mark.parametrize(("document", "patch", "result"), [g[1:] for g in GOOD], ids=[g[0] for g in GOOD])
def test_the_examples_of_the_rfc_give_its_results(document, patch, result):
    before = repr(document)
    assert patched(document, patch) == result
    assert repr(document) == before


@pytest.mark.parametrize(("document", "patch"), [b[1:] for b in BAD], ids=[b[0] for b in BAD])
def test_what_cannot_be_applied_is_refused_and_changes_nothing(document, patch):
    before = repr(document)
    with pytest.raises(Refusal) as caught:
        patched(document, patch)
    assert caught.value.code == "WKS219" and repr(document) == before
