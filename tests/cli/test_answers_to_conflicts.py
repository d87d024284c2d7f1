"""`push --take` of several bundles: each plan gets the answers to what it has; what none has is a slip."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

import waykeeper
from merge.small import BLOOD, compiled, new_identifier
from waykeeper.exchange import Server
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import bundle, identity
from waykeeper.findings import WaykeeperError
from waykeeper.sandbox import running
from waykeeper.verbs.words import takes


@pytest.fixture
def url():
    with running() as address:
        yield address


def written(folder, name, plan):
    path = folder / f"{name}.json"
    path.write_text(json.dumps(bundle(plan)))
    return str(path)


def delayed(url, who):
    """A person puts the blood tests off; the reference of the Task."""
    server = Server(url)
    ref, task = next(
        (ref, r) for ref, r in plan_resources(server, who) if (known := identity(r)) and known.key == BLOOD
    )
    server.send("PUT", ref, {**task, "status": "cancelled", "statusReason": {"text": "not needed"}})
    return server, ref


def test_an_answer_about_an_item_that_only_one_plan_has(url, tmp_path):
    one, other = new_identifier(), new_identifier()
    kept = [i for i in compiled(other).items if i.key != BLOOD]
    first = written(tmp_path, "one", compiled(one))
    plan = compiled(other)
    known = {i.key for i in kept}
    without = tuple(replace(i, needs=tuple(n for n in i.needs if n in known)) for i in kept)
    second = written(tmp_path, "other", replace(plan, items=without))
    waykeeper.push(first, second, to=url)
    server, ref = delayed(url, one)
    asked = waykeeper.push(first, second, to=url)
    assert [len(r.decided.conflicts) for r in asked] == [1, 0]
    answered = waykeeper.push(first, second, to=url, take={str(BLOOD): "ours"})
    assert [len(r.decided.conflicts) for r in answered] == [0, 0] and not answered[1].changes
    assert server.read(ref)["status"] == "requested"


def test_an_answer_about_an_item_that_no_plan_has_sends_nothing(url, tmp_path):
    first, second = (written(tmp_path, n, compiled(new_identifier())) for n in ("one", "other"))
    with pytest.raises(WaykeeperError) as refused:
        waykeeper.push(first, second, to=url, take={"task/blood-test": "ours"})
    assert refused.value.findings[0].code == "WKC202" and "blood-tests" in refused.value.findings[0].help
    assert Server(url).search("CarePlan", [("_count", "5")]) == []


@pytest.mark.parametrize("side", ["Ours", "our", "", "no"])
def test_an_answer_that_names_neither_side_is_no_answer(side):
    """It was taken for `theirs`: the question was settled the other way. Refused before anything is read."""
    with pytest.raises(WaykeeperError, match=f"--take is '{side}:task/call'"):
        waykeeper.push("no-such-plan.json", to="http://127.0.0.1:9/fhir", take={"task/call": side})


def test_one_item_with_both_sides_is_refused():
    assert takes(["ours:task/call", "ours:task/call", "theirs:visit/two-week"]) == {
        "task/call": "ours",
        "visit/two-week": "theirs",
    }
    with pytest.raises(WaykeeperError, match="--take answers 'task/call' with both sides"):
        takes(["ours:task/call", "theirs:task/call"])
