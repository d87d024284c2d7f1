"""What a move keeps of the plan that stands, and what it will not do without."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time

import pytest

from merge.small import SURGERY, clinic, compiled, instant, pathway, patient
from merge.worlds import Memory, later
from waykeeper.exchange.moving import moved_in_files
from waykeeper.fhir import read_all
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import worklist
from waykeeper.merge import withdraw
from waykeeper.plan.model import State
from waykeeper.timing.model import Anchor, Moment, Standing
from waykeeper.verbs.compiling import WITH_RECORD, still_given, whole
from waykeeper.verbs.moving import Recompiler, Sources, Wish, _not_over, _other_plans, told

ZONE = "America/Chicago"
DAY = date(2026, 3, 10)


def recompiler(record=(), **wish) -> Recompiler:
    return Recompiler(Sources(), Wish(**wish), lambda: list(record), date(2026, 3, 10), "here")


def with_discharge(plan, day):
    given = Anchor("discharge", Moment(day), Standing.GIVEN)
    return replace(plan, anchors=tuple(given if a.name == "discharge" else a for a in plan.anchors))


def test_a_discharge_of_the_old_date_is_assumed_again_and_said():
    old = with_discharge(compiled(Memory().identifier), date(2026, 3, 20))
    given, notices = recompiler(surgery="2026-04-08T07:30")._given(old, pathway(), clinic())
    assert set(given) == {"surgery"} and "2026-03-20" in notices[0]
    given, notices = recompiler(side="right")._given(old, pathway(), clinic())
    assert given["discharge"] == Moment(date(2026, 3, 20)) and notices == ()


@pytest.mark.parametrize("zone", ["America/New_York", "Pacific/Kiritimati", "Pacific/Pago_Pago"])
def test_a_corrected_zone_keeps_the_day_and_the_time_that_people_gave(zone):
    """The clinic's file named another zone; read as an instant surgery would be an hour, or a day, off.

    common practice, no source: an operation is booked by the clinic's own clock.
    """
    old = compiled(Memory().identifier)
    new = clinic()
    new = replace(new, zone=zone, calendar=replace(new.calendar, zone=zone))
    given, _ = recompiler()._given(old, pathway(), new)
    assert given["surgery"] == Moment(SURGERY, time(7, 30), zone)
    assert set(given) == {"surgery"}  # not moved: nobody is told of a new date


def test_discharge_before_the_surgery_that_stands_is_refused():
    old = compiled(Memory().identifier)
    with pytest.raises(WaykeeperError) as refused:
        recompiler(discharge="2026-03-10")._given(old, pathway(), clinic())
    assert refused.value.findings[0].code == "WKC206"


def test_the_day_of_the_change_stands_while_surgery_stands():
    old = compiled(Memory().identifier)
    changed = Anchor("change", Moment(date(2026, 3, 1)), Standing.GIVEN)
    old = replace(old, anchors=(*old.anchors, changed))
    given: dict[str, Moment] = {}
    recompiler()._changed(given, old, False, clinic())
    assert given == {"change": Moment(date(2026, 3, 1))}
    recompiler()._changed(given, old, True, clinic())
    assert given == {"change": Moment(date(2026, 3, 10))}


def test_compile_keeps_what_was_given_only_while_surgery_stands():
    stored = with_discharge(compiled(Memory().identifier), date(2026, 3, 20))
    same = {"surgery": Moment(SURGERY, time(7, 30), ZONE)}
    assert still_given(stored, pathway(), same) == {"discharge": Moment(date(2026, 3, 20))}
    assert still_given(stored, pathway(), {"surgery": Moment(later(7), time(7, 30), ZONE)}) == {}
    told = same | {"discharge": Moment(date(2026, 3, 21))}
    assert still_given(stored, pathway(), told) == {}


def test_without_the_record_nothing_is_moved():
    world = Memory()
    world.push()
    old = compiled(world.identifier)
    bare = recompiler([("Patient/1", patient(world.identifier))])
    with pytest.raises(WaykeeperError) as refused:
        bare._possible(_record(world), old, State())
    assert refused.value.findings[0].code == "WKC211"


def test_a_record_that_was_given_without_its_medicines_is_not_asked_for_again():
    """It was given: the remedy said to give it, and the push of a plan made without the server said to use the server.

    Where everything was stopped the stopped orders are the list.
    """
    world = Memory()
    world.push()
    with pytest.raises(WaykeeperError) as refused:
        whole(_record(world), compiled(world.identifier), State(), named=True, remedy=WITH_RECORD)
    assert "status stopped" in refused.value.findings[0].help and "--patient" not in refused.value.findings[0].help


def _record(world):
    from waykeeper.record import Record

    return Record(patient(world.identifier), ())


def test_both_joints_on_one_day_are_said():
    world = Memory()
    world.push()
    world.push(episode=2)
    plans = {p.episode.number: p for p, _ in read_all(world.resources())}
    same, around = _other_plans(world.resources(), plans[1], compiled(world.identifier, later(21)), DAY)
    assert "is on 2026-03-18" in same and "episode 2" in same
    assert "planned around the day of before" in around and "--episode 2, and push it" in around
    world.push(episode=3, surgery=later(90))
    said = _other_plans(world.resources(), plans[1], compiled(world.identifier, later(21)), DAY)
    assert len(said) == 3 and "--episode 3" in said[2]


def test_the_medicines_of_another_plan_are_named_only_where_the_day_moves():
    world = Memory()
    world.push()
    world.push(episode=2, surgery=later(60))
    plans = {p.episode.number: p for p, _ in read_all(world.resources())}
    assert _other_plans(world.resources(), plans[1], compiled(world.identifier), DAY) == ()
    assert len(_other_plans(world.resources(), plans[1], compiled(world.identifier, later(1)), DAY)) == 1
    world.send(withdraw(plans[2], world.resources(), "surgery cancelled", today=date(2026, 3, 1)))
    assert _other_plans(world.resources(), plans[1], compiled(world.identifier, later(1)), DAY) == ()


@pytest.mark.parametrize(
    ("today", "proven", "said"),
    [(later(-1), True, True), (SURGERY, False, True), (SURGERY, True, False), (later(1), False, False)],
)
def test_the_medicines_of_a_joint_that_was_operated_are_not_planned_again(today, proven, said):
    """A plan stays active for months after surgery: its pause is over."""
    world = Memory()
    world.push()
    world.push(episode=2, surgery=later(60))
    if proven:
        plan = compiled(world.identifier)
        anchors = (replace(a, standing=Standing.RECORDED) if a.name == "surgery" else a for a in plan.anchors)
        world.push(replace(plan, anchors=tuple(anchors)))
    plans = {p.episode.number: p for p, _ in read_all(world.resources())}
    moved = compiled(world.identifier, later(70), episode=2)
    assert bool(_other_plans(world.resources(), plans[2], moved, today)) is said


def test_a_revision_restarts_the_clock_in_an_episode_of_its_own():
    """The first plan is withdrawn with that reason: nothing of it is chased any more, the second is followed."""
    world = Memory()
    world.push()
    plan = read_all(world.resources())[0][0]
    world.send(withdraw(plan, world.resources(), "revision restarts the clock", today=date(2026, 5, 1)))
    world.push(episode=2, surgery=later(60))
    rows = worklist(read_all(world.resources()), [], date(2026, 6, 1)).rows
    first = [r for r in rows if r.episode == 1 and r.kind in ("visit", "task")]
    assert first and {r.verdict for r in first} == {"excused"} and not any(r.gap for r in first)
    assert any(r.gap for r in rows if r.episode == 2)


def test_a_booking_that_was_recognised_by_its_day_is_not_lost_when_the_day_moves_away():
    """Unlinked, "2 week wound check" in the old window: recognised. Outside the new one only a guess is left of it."""
    world = Memory()
    world.push()
    world.add(
        {
            "resourceType": "Appointment", "status": "booked", "description": "2 week wound check",
            "start": instant(date(2026, 4, 1)), "end": instant(date(2026, 4, 1), 10),
            "participant": [{"actor": {"reference": world.patient}, "status": "accepted"}],
        }
    )  # fmt: skip
    again = recompiler()
    again.clinic = clinic()
    moved = moved_in_files(world.resources(), lambda *_: compiled(world.identifier, later(21)), date(2026, 3, 10))
    made = told(moved, again, date(2026, 3, 10), "flood", "Ann").told
    assert [(r.item, r.booked.day, r.reason) for r in made.rebook] == [
        ("visit/two-week", date(2026, 4, 1), "outside its new window")
    ]
    scheduler = next(c for c in made.calls if c.role == "scheduler")
    assert "booked on Wed 2026-04-01" in scheduler.say[0] and "Sat 2026-04-18 to Sun 2026-04-26" in scheduler.say[0]
    assert any("appointment on Wed 2026-04-01" in said for c in made.calls if c.role == "patient" for said in c.say)


def test_a_day_that_is_over_is_no_new_day_unless_the_record_proves_it():
    old = compiled(Memory().identifier)
    past = compiled(Memory().identifier, date(2025, 3, 18))
    with pytest.raises(WaykeeperError) as refused:
        _not_over(past, old, date(2026, 3, 10))
    assert refused.value.findings[0].code == "WKC214"
    proven = tuple(replace(a, standing=Standing.RECORDED) if a.name == "surgery" else a for a in past.anchors)
    _not_over(replace(past, anchors=proven), old, date(2026, 3, 10))
    _not_over(old, old, date(2026, 6, 1))  # the day stands, and another thing is moved
    _not_over(compiled(Memory().identifier, date(2026, 3, 10)), old, date(2026, 3, 10))
