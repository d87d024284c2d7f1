"""What nobody touched is read the short way: it says the same as the long one, and whatever was recorded leaves it."""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path

import pytest

from waykeeper.fhir.identity import identity
from waykeeper.fhir.names import TASK_CODES
from waykeeper.fhir.recorded import item_state
from waykeeper.fhir.write import LEADING
from waykeeper.record import resources_of

BUNDLES = sorted((Path(__file__).parents[2] / "sandbox_bundles").glob("*/plan.bundle.json"))
ZONE = "Europe/Berlin"
BESIDE = [(frozenset({"Task/of-somebody-else"}), {"resourceType": "Communication", "status": "completed"})]
# What a person or another system writes, by the element: FHIR R4 Task, ServiceRequest, CommunicationRequest and Goal.
RECORDED = {
    "output": [{"type": {"coding": [{"system": TASK_CODES, "code": "answer"}]}, "valueString": "yes"}],
    "note": [{"authorString": "B. Ward", "time": "2026-03-02T09:00:00+01:00", "text": "called"}],
    "owner": {"display": "B. Ward"},
    "statusReason": {"text": "moved away"},
    "achievementStatus": {"coding": [{"code": "achieved"}]},
}  # fmt: skip


def rounds(bundle: Path):
    """The parts of each item by round, as they are read."""
    found = defaultdict(lambda: defaultdict(dict))
    for ref, resource in resources_of(json.loads(bundle.read_text())):
        said = identity(resource)
        if said is not None and said.key.kind in LEADING:
            found[said.key][said.round][said.part] = (ref, resource)
    return {key: by_round for key, by_round in found.items() if LEADING[key.kind][1] in by_round[max(by_round)]}


@pytest.mark.parametrize("bundle", BUNDLES, ids=lambda b: b.parent.name)
def test_the_short_way_says_what_the_long_one_does(bundle):
    seen = rounds(bundle)
    assert len(seen) > 20
    for key, by_round in seen.items():
        # what tells of something else closes the short way, and says nothing of this item
        assert item_state(key, by_round, (), ZONE) == item_state(key, by_round, BESIDE, ZONE), key


@pytest.mark.parametrize("element", RECORDED)
def test_whatever_was_recorded_is_read(element):
    for key, by_round in rounds(BUNDLES[0]).items():
        ref, resource = by_round[1][LEADING[key.kind][1]]
        touched = {1: {**by_round[1], LEADING[key.kind][1]: (ref, {**resource, element: RECORDED[element]})}}
        assert item_state(key, touched, (), ZONE) == item_state(key, touched, BESIDE, ZONE), key
