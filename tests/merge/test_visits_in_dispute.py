"""What a person did to one part of a visit: asked about, and the answer does what it says.

Contract: a part that is not wanted any more and was touched is a conflict; `--take ours` writes what the plan wants.
"""

from dataclasses import replace
from datetime import date

import pytest

from merge.small import FILM, VISIT
from merge.stories import MOVED, book, theirs, words
from merge.worlds import Memory, later
from waykeeper.fhir import read_all
from waykeeper.merge import decide, withdraw
from waykeeper.merge.difference import difference
from waykeeper.pathway.model import Settings

OLD_WISH = [{"start": "2026-03-29", "end": "2026-04-01"}]


def changed_wish_beside_a_booking() -> Memory:
    """A person changed the days of our proposal; then the scheduler made an Appointment of its own."""
    world = Memory()
    world.push()
    world.edit(VISIT, "appointment", requestedPeriod=OLD_WISH)
    theirs(world, date(2026, 4, 2))
    return world


def test_a_changed_proposal_never_keeps_days_of_an_old_surgery_in_silence():
    world = changed_wish_beside_a_booking()
    moved = world.push(surgery=later(MOVED))
    assert words(moved, VISIT, "appointment") == ["conflict"] and len(world.conflicts()) == 1
    assert world.at(VISIT, "appointment")["requestedPeriod"] == OLD_WISH
    world.push(surgery=later(MOVED), take={str(VISIT): "ours"})
    assert world.at(VISIT, "appointment")["status"] == "cancelled" and world.conflicts() == []
    assert world.push(surgery=later(MOVED)).changing == ()


def test_a_changed_proposal_that_a_person_keeps_is_asked_about_once_for_one_surgery():
    world = changed_wish_beside_a_booking()
    world.push()
    world.push(take={str(VISIT): "theirs"})
    assert world.at(VISIT, "appointment")["status"] == "proposed" and world.conflicts() == []
    assert world.push().changing == ()
    world.push(surgery=later(MOVED))
    assert len(world.conflicts()) == 1


def test_our_proposal_that_became_a_booking_stays_beside_one_of_the_schedulers_own():
    world = Memory()
    world.push()
    book(world, date(2026, 4, 1))
    theirs(world, date(2026, 4, 2))
    assert words(world.push(), VISIT, "appointment") == ["keep"] and world.conflicts() == []


def test_a_clinic_that_wants_no_proposals_any_more_says_so_as_the_reason():
    world = Memory()
    world.push()
    plan = world.plan()
    quiet = replace(plan, settings=Settings(proposed_appointments=False))
    world.send(decide(quiet, world.resources(), today=world.today))
    wish = world.at(VISIT, "appointment")
    assert (wish["status"], wish["cancelationReason"]) == ("cancelled", {"text": "the clinic wants no proposals"})


def test_a_request_entered_in_error_comes_back_where_the_plans_side_is_taken():
    world = Memory()
    world.push()
    world.edit(VISIT, "request", status="entered-in-error")
    assert words(world.push(), VISIT, "request") == ["conflict"]
    world.push(take={str(VISIT): "ours"})
    assert world.at(VISIT, "request")["status"] == "active" and world.conflicts() == []
    assert world.push().changing == ()


@pytest.mark.parametrize(("day", "told"), [
    (date(2026, 3, 27), True), (date(2026, 3, 28), False), (date(2026, 4, 5), False), (date(2026, 4, 6), True),
])  # fmt: skip
def test_a_booking_outside_the_window_is_said_and_one_on_its_edge_is_not(day, told):
    """verdicts.md 2 and 6: windows are inclusive days; the 2-week window of surgery on 03-18 is 03-28 to 04-05."""
    world = Memory()
    world.push()
    book(world, day)
    assert any("outside its window" in notice for notice in world.push().notices) is told


@pytest.mark.parametrize(("start", "local"), [
    ("2026-03-28T00:30:00Z", "2026-03-27"), ("2026-04-06T00:30:00Z", ""), ("2026-04-06T14:00:00Z", "2026-04-06"),
    (None, ""),
])  # fmt: skip
def test_the_day_of_a_booking_is_the_clinics_whatever_offset_the_server_writes(start, local):
    """design.md, idea 1: dates first, instants at the edge; 00:30 in UTC is the evening before in Chicago."""
    world = Memory()
    world.push()
    world.edit(VISIT, "appointment", status="booked", start=start)
    told = [notice for notice in world.push().notices if "outside its window" in notice]
    assert [f"booked on {local}, " in notice for notice in told] == ([True] if local else [])
    evening = "2026-04-05" if start else "a day not recorded"
    taken_back = withdraw(world.plan(), world.resources(), "patient transferred", today=world.today)
    assert any(f"booked on {local or evening}: " in notice for notice in taken_back.notices)


@pytest.mark.parametrize("attended", [False, True])
def test_a_request_that_the_scheduler_completed_with_its_booking_still_moves_with_surgery(attended):
    """FHIR R4 Request.status completed: the activity was done; schedulers set it when the slot is made (from memory).

    Only an attended visit is done: else the window of before would stand, and the old booking inside it.
    """
    world = Memory()
    world.today = date(2026, 4, 10) if attended else world.today
    world.push()
    theirs(world, date(2026, 4, 1), "fulfilled" if attended else "booked")
    world.edit(VISIT, "request", status="completed")
    world.push()
    old, state = read_all(world.resources())[0]
    moved = world.push(surgery=later(21))
    (row,) = (r for r in difference(old, moved.plan, state, moved, {VISIT} if attended else ()) if r.item == VISIT)
    window = world.at(VISIT, "request")["occurrencePeriod"]
    assert world.at(VISIT, "request")["status"] == "completed"
    assert row.change == ("valid" if attended else "moved")
    assert window["start"] == ("2026-03-28" if attended else "2026-04-18")
    assert world.push(surgery=later(21)).changing == ()


@pytest.mark.parametrize("how", ["noshow", "cancelled"])
def test_a_booking_that_fell_through_is_proposed_again_where_its_request_was_completed_with_it(how):
    """merge.md: no-show of ours = a new round proposed, whatever the scheduler did with the request."""
    world = Memory()
    world.push()
    book(world, date(2026, 4, 1), how)
    world.edit(VISIT, "request", status="completed")
    made = world.push()
    assert world.at(VISIT, "appointment", 2)["status"] == "proposed" and made.conflicts == ()
    assert world.push().changing == ()


@pytest.mark.parametrize(("how", "ticked"), [("booked", False), ("fulfilled", True)])
def test_a_check_is_not_ready_because_a_visit_was_booked(how, ticked):
    """fhir.md 1: push completes a mirror when its focus is done by linked evidence: that somebody came."""
    world = Memory()
    world.today = date(2026, 4, 2)
    world.push()
    book(world, date(2026, 4, 1), how)
    world.edit(VISIT, "request", status="completed")
    world.push()
    assert (world.at(FILM, f"mirror:{VISIT}")["status"] == "completed") is ticked
    assert (world.at(FILM, "gate")["status"] == "ready") is ticked
