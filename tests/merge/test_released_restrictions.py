"""A release belongs to the restriction of its own date: after a move to a later day the restriction holds again.

Weight bearing waits for a recorded decision about this operation (common practice, no source): one that was recorded
for an operation that did not take place says nothing of the next. Flag.period has no end before its start (FHIR R4,
invariant per-1).
"""

from datetime import date, timedelta

import pytest

from merge.small import FILM, SURGERY, WEIGHT
from merge.stories import complete, words
from merge.worlds import Memory, later
from waykeeper.fhir import read_all
from waykeeper.gaps import worklist
from waykeeper.merge import difference
from waykeeper.merge.held import holding

DAY_AFTER = SURGERY + timedelta(days=1)


@pytest.fixture
def world():
    made = Memory()
    made.push()
    return made


def released(world, day, by="Dr Reed"):
    """A person notes that the restriction has ended, as `note ... released` writes it."""
    note = [{"authorString": by, "text": "Ended: as told", **({"time": day.isoformat()} if day else {})}]
    world.edit(WEIGHT, "request", status="completed", note=note)


def row(world, as_of):
    return next(r for r in worklist(read_all(world.resources()), [], as_of).rows if r.item == str(WEIGHT))


@pytest.mark.parametrize("day", [DAY_AFTER, None])
def test_moved_to_a_later_day_the_restriction_holds_again(world, day):
    world.today = DAY_AFTER
    released(world, day)
    world.push()
    assert world.at(WEIGHT, "flag")["status"] == "inactive"
    before = holding(world.plan().episode, world.resources())
    moved = world.push(surgery=later(21))
    assert words(moved, WEIGHT, "request") == ["create", "history"]
    assert moved.conflicts == ()
    request, flag = world.at(WEIGHT, "request"), world.at(WEIGHT, "flag")
    assert (request["status"], request["occurrencePeriod"]["start"][:10]) == ("active", later(21).isoformat())
    assert (flag["status"], flag["period"]["start"][:10], flag["period"].get("end")) == (
        "active", later(21).isoformat(), None,
    )  # fmt: skip
    assert (world.at(WEIGHT, "request", 1)["status"], world.at(WEIGHT, "flag", 1)["status"]) == (
        "completed",
        "inactive",
    )
    assert row(world, later(22)).verdict == "in-force"
    told = {r.item: r.change for r in difference(before.plan, moved.plan, before.state, moved)}
    assert told[WEIGHT] == "again"
    assert world.push(surgery=later(21)).changing == ()


@pytest.mark.parametrize(
    "note",
    [
        {"time": "2026-03-02", "text": "told in class"},
        {"time": (SURGERY + timedelta(days=60)).isoformat(), "authorString": "Clerk", "text": "copy sent"},
    ],
)
def test_a_note_about_something_else_is_no_day_of_the_release(world, note):
    world.today = SURGERY + timedelta(days=62)
    ended = {"time": (SURGERY + timedelta(days=44)).isoformat(), "authorString": "Dr Reed", "text": "Ended: films read"}
    for notes, told in (([note], "a day not known"), ([ended, note], f"{SURGERY + timedelta(days=44):%a %Y-%m-%d}")):
        world.edit(WEIGHT, "request", status="completed", note=notes)
        world.push()
        assert world.at(WEIGHT, "request", 2) is None
        assert world.at(WEIGHT, "flag")["status"] == "inactive"
        assert row(world, world.today).reason.startswith(f"Released {told}")


@pytest.mark.parametrize("days", [-1, 1])
def test_a_corrected_day_leaves_the_release_of_six_weeks_later(world, days):
    world.today = SURGERY + timedelta(days=43)
    released(world, SURGERY + timedelta(days=42))
    world.push()
    world.push(surgery=later(days))
    assert (world.at(WEIGHT, "request")["status"], world.at(WEIGHT, "flag")["status"]) == ("completed", "inactive")
    assert world.at(WEIGHT, "request", 2) is None


def test_a_release_before_it_begins_is_none_and_no_flag_ends_before_it_starts(world):
    world.today = SURGERY - timedelta(days=20)
    released(world, world.today)
    decided = world.push()
    assert (world.at(WEIGHT, "request")["status"], world.at(WEIGHT, "flag")["status"]) == ("active", "active")
    assert words(decided, WEIGHT, "request") == ["create", "history"]
    for _, resource in world.resources():
        period = resource.get("period", {}) if resource["resourceType"] == "Flag" else {}
        assert period.get("end", "9999") >= period.get("start", "")[:10]
    assert world.push().changing == ()


@pytest.mark.parametrize(("today", "ends"), [(SURGERY - timedelta(days=1), False), (SURGERY, True)])
def test_a_release_without_a_day_ends_the_flag_on_the_day_of_the_push_unless_it_had_not_begun(world, today, ends):
    """FHIR R4, invariant per-1: a period does not end before it starts."""
    world.today = today
    released(world, None)
    world.push()
    flag = world.at(WEIGHT, "flag")
    assert (flag["status"], flag["period"].get("end")) == ("inactive", today.isoformat() if ends else None)


def test_a_flag_that_somebody_ended_while_its_restriction_holds_is_asked_about(world):
    """merge.md, the table: withdrawn by a person, still wanted: keep and conflict. A Flag follows its request."""
    world.edit(WEIGHT, "flag", status="inactive")
    pushed = world.push()
    assert [(q.key, q.part) for q in pushed.conflicts] == [(WEIGHT, "flag")]
    assert world.at(WEIGHT, "flag")["status"] == "inactive"
    world.push(take={str(WEIGHT): "ours"})
    assert world.at(WEIGHT, "flag")["status"] == "active" and world.conflicts() == []


def test_the_day_of_a_release_is_told_and_ends_the_flag(world):
    day = SURGERY + timedelta(days=44)
    world.today = day + timedelta(days=3)
    released(world, day)
    world.push()
    assert world.at(WEIGHT, "flag")["period"]["end"] == day.isoformat()
    assert row(world, world.today).reason == f"Released {day:%a %Y-%m-%d} by Dr Reed."


def test_the_day_of_the_gate_is_told_where_that_was_released(world):
    day = SURGERY + timedelta(days=44)
    world.today = day + timedelta(days=3)
    complete(world, FILM, "gate", day)
    world.push()
    assert row(world, world.today).reason.startswith(f"Released {day:%a %Y-%m-%d}")
    assert date.fromisoformat(world.at(FILM, "gate")["executionPeriod"]["end"]) == day
