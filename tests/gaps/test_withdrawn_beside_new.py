"""A plan that was withdrawn beside a new one of the same patient: what is booked now belongs to the one in force."""

from datetime import date

from merge.small import VISIT, instant
from merge.worlds import Memory, later
from waykeeper.fhir import evidence, read_all
from waykeeper.gaps import worklist
from waykeeper.merge import withdraw


def booking(world, day, status):
    """An appointment of the scheduler that names no plan: only its words and its day speak."""
    return world.add(
        {
            "resourceType": "Appointment",
            "status": status,
            "description": "Wound check, 2 week visit",
            "start": instant(day),
            "end": instant(day, 10),
            "participant": [{"actor": {"reference": world.patient}, "status": "accepted"}],
        }
    )


def begun_anew(days):
    """Surgery cancelled, the plan withdrawn, and another one made so many days later."""
    world = Memory()
    world.push()
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "surgery cancelled", today=date(2026, 3, 1)))
    world.push(episode=2, surgery=later(days))
    return world


def window_opens(world, episode):
    items = next(p.items for p, _ in read_all(world.resources()) if p.episode.number == episode)
    return next(i for i in items if i.key == VISIT).dates.window.start.day


def rows(world, as_of):
    report = worklist(read_all(world.resources()), list(evidence(world.resources(), "America/Chicago")), as_of)
    return {r.episode: r for r in report.rows if str(r.item) == str(VISIT)}


def test_a_visit_kept_closes_the_gap_of_the_plan_in_force():
    world = begun_anew(5)
    opens = window_opens(world, 2)
    booking(world, opens, "fulfilled")  # in the windows of both plans
    seen = rows(world, date(2026, 5, 1))
    assert seen[2].verdict == "attended" and not seen[2].gap and not seen[2].questions
    assert seen[1].verdict == "excused" and not seen[1].questions


def test_a_booking_that_fits_the_withdrawn_plan_better_stays_there():
    """Nobody cancelled it: it is no booking of the new plan, whose window lies weeks later."""
    world = begun_anew(60)
    opens = window_opens(world, 1)
    booking(world, opens, "booked")
    seen = rows(world, date(2026, 3, 20))
    assert seen[2].verdict in ("not-yet-due", "to-book") and seen[1].verdict == "excused"


def test_two_plans_in_force_still_ask():
    world = Memory()
    world.push()
    world.push(episode=2, surgery=later(5))
    opens = window_opens(world, 2)
    booking(world, opens, "fulfilled")
    seen = rows(world, date(2026, 5, 1))
    assert {r.verdict for r in seen.values()} == {"missed"}
    assert all(r.questions for r in seen.values())
