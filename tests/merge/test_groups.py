"""One group by value: the table's rows, and a digest scheme that knew fewer fields."""

import pytest

from merge.small import CALL
from merge.worlds import Memory
from waykeeper.fhir import ownership
from waykeeper.merge.groups import judge, touched, weave

OTHER, THIRD = {"period": {"end": "2026-03-09"}}, {"period": {"end": "2026-03-10"}}


@pytest.fixture
def task():
    world = Memory()
    world.push()
    return world.at(CALL, "task")


@pytest.mark.parametrize(
    ("wanted", "standing", "verdict"),
    [
        ({}, {}, "same"),
        ({"restriction": OTHER}, {"restriction": OTHER}, "same"),
        ({"restriction": OTHER}, {}, "write"),
        ({}, {"restriction": OTHER}, "theirs"),
        ({"restriction": THIRD}, {"restriction": OTHER}, "conflict"),
    ],
)
def test_the_four_verdicts(task, wanted, standing, verdict):
    assert judge({**task, **wanted}, {**task, **standing}, "when") == verdict


def test_without_our_digest_a_difference_is_a_conflict(task):
    bare = {**task, "extension": [e for e in task["extension"] if not e["url"].endswith("/offered")]}
    assert judge(task, bare, "when") == "same"
    assert judge({**task, "restriction": OTHER}, bare, "when") == "conflict"


def test_notes_and_outputs_are_work_of_people(task):
    assert not touched(task)
    assert touched({**task, "note": [{"text": "called"}]}) and touched({**task, "output": [{}]})


def test_values_are_compared_not_bytes(task):
    spaced = {**task, "description": task["description"].replace(" ", "\u00a0")}
    assert judge(task, spaced, "what") == "same"


def test_a_field_that_a_later_scheme_added(task, monkeypatch):
    """Offered before the field was known: absent = untouched, present = theirs; never a false conflict."""
    now = ownership.SCHEME
    monkeypatch.setattr(ownership, "SINCE", {"reasonCode": now + 1})
    from waykeeper.merge.groups import digest_under

    told = digest_under(now, task, "what")
    parts = [p for e in task["extension"] if e["url"].endswith("/offered") for p in e["extension"]]
    old = [{**p, "valueString": told} if p["url"] == "what" else p for p in parts]
    bare = {k: v for k, v in task.items() if k != "reasonCode"}
    offered = [
        {**e, "extension": old} if e["url"].endswith("/offered") else e for e in task["extension"]
    ]  # fmt: skip
    standing = {**bare, "extension": offered}
    assert judge(task, standing, "what") == "write"  # the new field is simply added
    assert judge(task, {**standing, "reasonCode": {"text": "a nurse's reason"}}, "what") == "theirs"


def test_what_is_written_has_no_extension_that_neither_reading_has(task):
    """FHIR R4 ext-1: an extension has extensions or a value. One that says nothing is refused by servers."""
    made = weave(task, {**task, "description": "Call again"}, ("what",))
    assert made["description"] == "Call again"
    assert sorted(e["url"] for e in made["extension"]) == sorted(e["url"] for e in task["extension"])
