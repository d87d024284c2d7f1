"""A medicine that was stopped for a day that does not hold any more: its restart is asked for at once.

"A restart row for every stopped drug, the same day, with an owner": common practice, no source.
"""

from datetime import date

from merge.small import HOLD, SURGERY
from merge.stories import answer, complete
from merge.worlds import Memory, later
from waykeeper.fhir import evidence, read_all
from waykeeper.gaps import worklist
from waykeeper.merge import decide, withdraw
from waykeeper.merge.stopped import RESTART

TODAY = date(2026, 3, 16)


def row(world, as_of=TODAY):
    plans = read_all(world.resources())
    found = worklist(plans, list(evidence(world.resources(), plans[0][0].zone)), as_of)
    return next(r for r in found.rows if r.item == str(HOLD))


def stopped():
    world = Memory()
    world.push()
    answer(world, 3, date(2026, 3, 1))
    world.push()
    complete(world, HOLD, "stop", date(2026, 3, 14))
    return world


def test_surgery_moved_on():
    world = stopped()
    world.send(decide(world.plan(surgery=later(21)), world.resources(), today=TODAY))
    asked = row(world)
    assert (asked.verdict, asked.severity, asked.who, asked.by) == ("restart-due", 3, "prescriber", TODAY)
    complete(world, HOLD, RESTART, TODAY)
    assert row(world).verdict in ("unanswered", "not-yet-due")  # it will pause again before the new day


def test_surgery_cancelled():
    world = stopped()
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "flood", suspended=True, today=TODAY))
    assert (row(world).verdict, row(world).severity) == ("restart-due", 3)
    complete(world, HOLD, RESTART, TODAY)
    assert row(world).verdict == "restarted"


def test_the_dead_are_not_asked_about():
    world = stopped()
    world.send(decide(world.plan(surgery=later(21)), world.resources(), today=TODAY))
    ref, patient = next((ref, r) for ref, r in world.resources() if r["resourceType"] == "Patient")
    world.put(ref, {**patient, "deceasedDateTime": "2026-03-15"})
    assert row(world).verdict == "excused" and later(21) > SURGERY
