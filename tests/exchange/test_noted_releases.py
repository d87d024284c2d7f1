"""What is noted about a restriction: who has it in hand at any time, its end from its first day on, with its day."""

import pytest

import waykeeper
from waykeeper.exchange import Server
from waykeeper.pathway.shelf import folder
from waykeeper.sandbox import running

PLAN = folder("sandbox_bundles") / "demo-left" / "plan.bundle.json"
WHO = "https://alder-quay.example/mrn|AQ-1001"
WEIGHT = "restriction/non-weight-bearing"


@pytest.fixture
def told():
    with running() as url:
        waykeeper.push(str(PLAN), to=url)
        yield {"to": url, "patient": WHO, "by": "Ruth Alderman"}


def row(told, day):
    return next(r for r in waykeeper.gaps(told["to"], as_of=day).whole.rows if r.item == WEIGHT)


def test_before_it_begins_it_may_be_somebody_s_and_put_off_but_not_end(told):
    waykeeper.note(WEIGHT, "owner", text="Dora Finch", on="2026-02-20", **told)
    waykeeper.note(WEIGHT, "snoozed", on="2026-03-10", **told)
    assert row(told, "2026-03-12").owner == "Dora Finch"
    with pytest.raises(waykeeper.WaykeeperError) as refused:
        waykeeper.note(WEIGHT, "released", on="2026-02-20", **told)
    assert "has not begun on 2026-02-20" in refused.value.findings[0].details


def test_its_end_is_told_with_the_day_on_which_it_was_decided(told):
    said = [waykeeper.note(WEIGHT, "released", on="2026-05-02", text="films read", **told) for _ in range(2)]
    assert "as it was noted before" in said[1]
    assert row(told, "2026-05-10").reason == "Released Sat 2026-05-02 by Ruth Alderman."


def test_an_end_that_another_system_recorded_without_its_day_may_be_told_with_it(told):
    with Server(told["to"]) as client:
        held = client.search("ServiceRequest", [("category:not", "none")])
        ref, request = next((r, s) for r, s in held if WEIGHT in str(s.get("extension")))
        client.send("PUT", ref, {**request, "status": "completed"})
    assert row(told, "2026-05-10").reason.startswith("Released a day not known")
    waykeeper.note(WEIGHT, "released", on="2026-05-02", text="films read", **told)
    assert row(told, "2026-05-10").reason == "Released Sat 2026-05-02 by Ruth Alderman."
