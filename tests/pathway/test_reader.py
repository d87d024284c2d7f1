"""The YAML reader: scalars as written, places of words, limits, and no input that it cannot answer."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from pathway.frame import clinic, pathway
from waykeeper.pathway import check, check_file, check_overlay, read_clinic, read_yaml
from waykeeper.pathway.reader import MAX_BYTES, MAX_DEPTH, MAX_NODES


def test_scalars_stay_as_written():
    text = "a: NO\nb: 22:30\nc: 0123\nd: 1.10\ne: null\nf: 2026-03-18\ng: yes\nh: 1_000\ni: '0x10'\n"
    root, findings = read_yaml(text, "f.yaml")
    assert findings == ()
    assert root.plain() == {
        "a": "NO", "b": "22:30", "c": "0123", "d": "1.10", "e": "null", "f": "2026-03-18",
        "g": "yes", "h": "1_000", "i": "0x10",
    }  # fmt: skip


def test_an_empty_value_is_not_an_empty_text():
    root, _ = read_yaml('a:\nb: ""\nc: {d: , e: 1}\n')
    assert root.get("a").empty
    assert not root.get("b").empty
    assert root.get("c").get("d").empty


@pytest.mark.parametrize(
    ("text", "word", "place"),
    [
        ("by: 1 day before sugery\n", "sugery", (1, 18)),
        ('by: "1 day before sugery"\n', "sugery", (1, 19)),
        ("by: 'the nurse''s sugery'\n", "sugery", (1, 19)),
        ("by: 1 day\n    before sugery\n", "sugery", (2, 12)),
        ("by: >-\n  1 day before\n  sugery\n", "sugery", (3, 3)),
        ("by: |\n  1 day\n\n  before sugery\n", "sugery", (4, 10)),
        ("- by: {a: b, c: día de sugery}\n", "sugery", (1, 24)),
        ("\ufeffby: 1 day before sugery\n", "sugery", (1, 18)),
        ("x: y\r\nby: 1 day before sugery\r\n", "sugery", (2, 18)),
    ],
)
def test_the_place_of_a_word_inside_a_scalar(text, word, place):
    root, _ = read_yaml(text, "f.yaml")
    node = root.items[0].get("by").get("c") if root.kind == "list" else root.get("by")
    found = node.inside(node.text.index(word))
    assert (found.file, found.line, found.column) == ("f.yaml", *place)


@pytest.mark.parametrize(
    "text",
    [
        "[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1),
        "a: " + "x" * MAX_BYTES,
        "- 1\n" * (MAX_NODES + 1),
        "[" * 500_000,
        "a: &a [x]\nb: &b [*a, *a]\nc: [*b, *b]\n",
        "{" * 100_000,
        "? " * 50_000,
        "- " * 100_000,
    ],
    ids=["deep", "large", "many", "brackets", "bomb", "braces", "keys", "dashes"],
)
def test_what_could_exhaust_the_reader_is_a_finding(text):
    _, findings = read_yaml(text, "f.yaml")
    assert findings
    assert {f.code for f in findings} <= {"WKP102", "WKP103", "WKP106"}


def test_exactly_the_limit_is_read():
    root, findings = read_yaml("[" * MAX_DEPTH + "]" * MAX_DEPTH)
    assert root is not None
    assert findings == ()


def test_a_lone_surrogate_is_a_finding():
    assert [f.code for f in read_yaml("a: \ud800\n")[1]] == ["WKP101"]


def _answer_everything(source):
    """Every reader of the room gives findings for what it cannot use, and nothing else."""
    root, findings = read_yaml(source, "f.yaml")
    assert root is not None or findings
    for value, found in (check([("f.yaml", source)]), read_clinic("f.yaml", source), check_overlay("f.yaml", source)):
        assert value is None
        assert any(f.severity == "error" for f in found)
    check([("p.yaml", pathway("")), ("f.yaml", source)])
    assert check_file("f.yaml", source)[1]


@settings(max_examples=examples(100), deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_findings(source):
    _answer_everything(source)


WORDS = st.sampled_from(
    ["pathway", "overlay", "clinic", "tasks", "phases", "holds", "anchors", "facts", "gates", "wash", "surgery", "at",
     "by", "words", "en", "window", "1 day before surgery", "every day", "needs", "rules", "add", "replace", "remove",
     "hours", "parts", "zone", "holidays", "closures", "2026-02-30", "08:00", "true", "3", "", "yes", "today()", "§"]
)  # fmt: skip


@settings(max_examples=examples(100), deadline=None)
@given(st.recursive(WORDS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(WORDS, inner, max_size=5)))
def test_any_shape_of_known_words_gives_findings(tree):
    import json

    _answer_everything(json.dumps(tree))


@settings(max_examples=examples(100), deadline=None)
@given(st.data())
def test_a_good_file_with_one_place_spoilt_is_answered(data):
    good = pathway("tasks:\n  wash: {title: Wash, who: surgeon, why: Skin, harm: 2, by: 1 day before surgery}\n")
    for text in (good, clinic({}), "overlay: a\ntitle: b\nfor: any\nremove: [wash]\n"):
        at = data.draw(st.integers(0, len(text)))
        spoilt = text[:at] + data.draw(st.text(max_size=5)) + text[at + data.draw(st.integers(0, 5)) :]
        check([("f.yaml", spoilt)])
        check([("p.yaml", good), ("f.yaml", spoilt)])
        read_clinic("f.yaml", spoilt)
        check_file("f.yaml", spoilt)
