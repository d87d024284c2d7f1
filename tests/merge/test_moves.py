"""What a moved surgery means for each medicine and each item.

Check values, with their sources:
- a pause of N days: no dose on day -N .. -1 nor on the day of surgery, last dose on day -(N + 1): PAUSE, JAMA Intern
  Med 2019 (two days missed, last dose on day -3); warfarin five days, CHEST 2022 (from memory) and the ASH bridging
  table
- surgery moved from 2026-03-25 to 2026-03-18, today 2026-03-14, warfarin last taken 2026-03-14: three of five days
  are possible, earliest surgery 2026-03-20, the answer must be given again (derived from the above)
- surgery cancelled after medicines were stopped: a restart row for every one, the same day (common practice, no source)
- a course of five days, restarted whole when surgery moves by seven days after two were done (common practice, no
  source; the five-day protocol itself: SHEA/IDSA/APIC 2022, ICHE 2023;44:695)
- history and physical at most 30 days before surgery: 42 CFR 482.22(c)(5), hospitals; 2026-02-16 is exactly 30 days
  before 2026-03-18, 2026-02-15 is 31. All other ages at surgery are clinic settings
"""

from dataclasses import replace
from datetime import date, time, timedelta

import pytest

from merge.small import BLOOD, CALL, HOLD, LATEX, SURGERY, VISIT, WASH, instant
from merge.stories import answer, book, complete, output
from merge.worlds import Memory, later
from waykeeper.fhir import answers, read_all
from waykeeper.fhir.names import TAG_CODE, TAG_SYSTEM, TASK_CODES
from waykeeper.gaps import worklist
from waykeeper.merge import decide, withdraw
from waykeeper.merge.difference import _told_apart, difference, turned
from waykeeper.merge.held import holding
from waykeeper.merge.medicine_changes import medicine_changes
from waykeeper.merge.stopped import RESTART, last_taken, stopped
from waykeeper.plan.model import Key
from waykeeper.report.move_words import medicine_sentence
from waykeeper.timing.model import Dates, Moment, Window

LATE = date(2026, 3, 25)
EARLY = date(2026, 3, 18)
TODAY = date(2026, 3, 14)


def taken(world, day, key=HOLD):
    """Somebody recorded the last dose, as `note ... taken` does."""
    world.add(
        {
            "resourceType": "MedicationStatement", "status": "completed",
            "meta": {"tag": [{"system": TAG_SYSTEM, "code": TAG_CODE}]},
            "basedOn": [{"reference": world.ref(key, "hold")}],
            "medicationCodeableConcept": {"text": "apixaban 5 mg tablet"},
            "subject": {"reference": world.patient}, "effectiveDateTime": day.isoformat(),
        }
    )  # fmt: skip


def start(surgery, days=None, on=date(2026, 3, 1)):
    """A plan that stands, its hold answered with a number of days."""
    world = Memory()
    world.push(surgery=surgery)
    if days is not None:
        answer(world, days, on)
        world.push(surgery=surgery)
    return world


def move(world, surgery, today, **options):
    """As the command does: what stood, what is decided, and the medicine's row."""
    plan = world.plan(surgery=surgery, **options)
    held = holding(plan.episode, world.resources())
    decided = decide(plan, world.resources(), today=today)
    changes = {c.item: c for c in medicine_changes(held.plan, held, decided, today)}
    rows = {r.item: r for r in difference(held.plan, decided.plan, held.state, decided)}
    world.send(decided)
    assert decide(world.plan(surgery=surgery, **options), world.resources(), today=today).changing == ()
    return decided, changes[HOLD], rows


def test_moved_earlier_and_the_pause_cannot_be_kept():
    world = start(LATE, 5)
    taken(world, TODAY)
    _, row, _ = move(world, EARLY, TODAY)
    assert row.need == "cannot be met" and row.again
    assert (row.possible, row.days, row.earliest) == (3, 5, date(2026, 3, 20))
    assert row.last_taken == TODAY


@pytest.mark.parametrize(
    ("days", "need", "possible"),
    [(3, "approve again", None), (4, "cannot be met", 3), (2, "approve again", None)],
)
def test_the_boundary_of_what_can_be_kept(days, need, possible):
    """Last dose today, surgery in four days: three days can be missed."""
    world = start(LATE, days)
    taken(world, TODAY)
    _, row, _ = move(world, EARLY, TODAY)
    assert (row.need if not row.is_stopped else need, row.possible) == (need, possible)


@pytest.mark.parametrize(
    ("today", "need"),
    [
        (date(2026, 3, 11), "approve again"),  # last dose on day -6, tomorrow
        (date(2026, 3, 12), "stop today"),  # the last dose is today
        (date(2026, 3, 13), "stop today"),  # today's dose must be left out
        (date(2026, 3, 14), "cannot be met"),
    ],
)
def test_when_nobody_recorded_a_dose(today, need):
    """Five days before 2026-03-18: last dose 2026-03-12 (day -6), first missed 2026-03-13."""
    world = start(date(2026, 4, 22), 5)
    _, row, _ = move(world, EARLY, today)
    assert (row.need, row.last_dose, row.first_missed) == (need, date(2026, 3, 12), date(2026, 3, 13))


def restart_tasks(world):
    return [r for _, r in world.resources() if "restart-needed" in str(r.get("extension"))]


def test_stopped_for_the_old_day_and_moved_three_weeks_on():
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    decided, row, _ = move(world, later(21), date(2026, 3, 16))
    assert row.need == "ask about restart" and row.again and row.last_dose == later(21) - timedelta(4)
    asked = [d for d in decided.rows if d.part == RESTART]
    assert [d.word for d in asked] == ["create"]
    task = world.at(HOLD, RESTART)
    assert task["status"] == "requested" and task["priority"] == "urgent"
    assert task["restriction"]["period"]["end"] == "2026-03-16"  # the same day
    state = next(s for p, s in read_all(world.resources()))
    assert state.items[HOLD].restart_asked
    world.push(surgery=later(21))
    assert world.at(HOLD, RESTART)["status"] == "requested"  # a push that follows does not take it away


def test_a_pause_that_began_by_the_plans_own_days_counts_as_begun():
    world = start(SURGERY, 3)
    _, row, _ = move(world, later(21), date(2026, 3, 16))  # last dose was 2026-03-14
    assert row.need == "ask about restart" and len(restart_tasks(world)) == 1


def restarted_and_answered_anew():
    """Stopped for 03-18, moved by three weeks, restarted on 03-17, three days answered for 04-08: last dose 04-04."""
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    complete(world, HOLD, RESTART, date(2026, 3, 17))
    answer(world, 3, date(2026, 3, 18))
    world.push(surgery=later(21))
    return world


@pytest.mark.parametrize("recorded", [True, False])
def test_restarted_and_paused_again_for_the_new_day_is_stopped_again(recorded):
    """A medicine against clots that nobody restarts is the harm: the first restart says nothing of the second pause."""
    world = restarted_and_answered_anew()
    held = holding(world.plan(surgery=later(21)).episode, world.resources())
    assert stopped(held, date(2026, 3, 20)) == stopped(held, date(2026, 4, 4)) == []
    if recorded:
        complete(world, HOLD, "stop", date(2026, 4, 4))
    held = holding(world.plan(surgery=later(21)).episode, world.resources())
    (again,) = stopped(held, date(2026, 4, 6))
    assert again.item.key == HOLD

    decided = withdraw(held.plan, world.resources(), "theatre closed", today=date(2026, 4, 6))
    assert any("was stopped for this surgery" in one for one in decided.notices)
    world.send(decided)
    (task,) = (t for t in restart_tasks(world) if t["status"] == "requested")
    assert task["restriction"]["period"]["end"] == "2026-04-06"
    assert any("Asked again" in n["text"] and "2026-03-17" in n["text"] for n in task["note"])
    rows = {r.item: r for r in worklist(read_all(world.resources()), [], date(2026, 4, 7)).rows}
    assert (rows[str(HOLD)].verdict, rows[str(HOLD)].severity) == ("restart-due", 3)

    complete(world, HOLD, RESTART, date(2026, 4, 7))
    assert stopped(holding(held.plan.episode, world.resources()), date(2026, 4, 8)) == []
    rows = {r.item: r for r in worklist(read_all(world.resources()), [], date(2026, 4, 8)).rows}
    assert rows[str(HOLD)].verdict == "restarted"


def test_restarted_and_paused_again_on_one_day_is_paused():
    """The later round is the later of two things that were recorded for one day."""
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    complete(world, HOLD, RESTART, date(2026, 3, 17))
    answer(world, 3, date(2026, 3, 17))
    move(world, later(1), date(2026, 3, 17))
    answer(world, 3, date(2026, 3, 17))
    world.push(surgery=later(1))
    complete(world, HOLD, "stop", date(2026, 3, 17))
    held = holding(world.plan(surgery=later(1)).episode, world.resources())
    world.send(withdraw(held.plan, world.resources(), "theatre closed", today=date(2026, 3, 18)))
    assert [t["status"] for t in restart_tasks(world) if t["status"] == "requested"] == ["requested"]


def test_a_restart_recorded_for_a_day_to_come_is_left_as_somebody_wrote_it():
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    complete(world, HOLD, RESTART, date(2026, 3, 27), note=[{"authorString": "Dr Reed", "text": "on the 27th"}])
    before = world.at(HOLD, RESTART)
    held = holding(world.plan(surgery=later(21)).episode, world.resources())
    decided = withdraw(held.plan, world.resources(), "theatre closed", today=date(2026, 3, 20))
    assert any("was stopped for this surgery" in one for one in decided.notices)  # said, as it has not happened yet
    world.send(decided)
    assert {k: v for k, v in world.at(HOLD, RESTART).items() if k != "meta"} == {
        k: v for k, v in before.items() if k != "meta"
    }


def test_not_stopped_yet_needs_no_restart():
    world = start(SURGERY, 3)
    _, row, _ = move(world, later(21), date(2026, 3, 10))
    assert row.need == "approve again" and restart_tasks(world) == []


def test_moved_by_a_day_a_stopped_medicine_stays_stopped():
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    _, row, _ = move(world, later(1), date(2026, 3, 16))
    assert row.need == "stays stopped" and restart_tasks(world) == []


def test_a_dose_recorded_for_a_day_to_come_is_no_dose():
    """Neither the pause nor the days are counted from it; who is told hears that the record is wrong."""
    world = start(SURGERY, 3)
    taken(world, date(2026, 3, 13))
    _, row, _ = move(world, later(21), date(2026, 3, 10))
    assert (row.last_taken, row.recorded_later) == (None, date(2026, 3, 13))
    assert row.need == "approve again" and not row.is_stopped
    world = start(LATE, 5)
    taken(world, date(2026, 3, 16))
    _, row, _ = move(world, EARLY, TODAY)
    assert row.need == "cannot be met" and row.counted_from == date(2026, 3, 13) and row.possible == 4


@pytest.mark.parametrize("today", [date(2026, 3, 16), SURGERY, date(2026, 3, 19)])
def test_of_a_pause_that_was_answered_for_a_day_that_stays_nothing_is_asked(today):
    """Of a new version, or of a day of discharge on the day after surgery, the page said `stopped for the old date,
    approve that it stays stopped`: of a blood thinner that waits for its restart."""
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    _, row, _ = move(world, SURGERY, today)
    assert row.need == "stands" and row.is_stopped and not row.again and restart_tasks(world) == []


@pytest.mark.parametrize(("days_after", "need"), [(0, "cannot be met"), (1, "unanswered"), (40, "unanswered")])
def test_after_the_day_of_surgery_no_pause_before_it_is_asked_for(days_after, need):
    """Of a day of discharge the page asked for `5 days off, last dose Thu 2026-03-12` and an answer until surgery."""
    world = start(SURGERY)
    _, row, _ = move(world, SURGERY, SURGERY + timedelta(days=days_after))
    said = medicine_sentence(row, None)
    assert row.need == need and not row.again
    assert ("taken now, and from which day" in said) is (need == "unanswered")
    assert ("are proposed" in said) is (need != "unanswered")


def test_what_was_stopped_and_asked_again_since_is_not_to_stay_stopped_after_surgery():
    world = under("general", 2)
    complete(world, HOLD, "stop", date(2026, 3, 15))
    move(world, SURGERY, date(2026, 3, 16), anaesthesia="spinal")
    _, row, _ = move(world, SURGERY, SURGERY + timedelta(days=2), anaesthesia="spinal")
    said = medicine_sentence(row, None)
    assert row.need == "unanswered" and row.is_stopped
    assert "no answer stands for this surgery" in said and "stays stopped" not in said


def test_a_pause_is_counted_from_the_day_that_was_answered_and_not_from_the_one_proposed():
    """Answered with two days where more were proposed, told to the patient, and the plan not made again since."""
    world = start(SURGERY)
    proposed = world.plan().item(HOLD).hold.last_dose
    answer(world, 2, date(2026, 3, 1))
    told = SURGERY - timedelta(days=3)
    assert proposed < told
    _, row, _ = move(world, later(-1), told + timedelta(days=1))
    assert (row.need, row.counted_from, row.possible, row.days) == ("cannot be met", told, 1, 2)
    assert (row.last_dose_was, row.earliest) == (told, SURGERY)


def under(anaesthesia, days, surgery=SURGERY):
    world = Memory()
    world.push(surgery=surgery, anaesthesia=anaesthesia)
    answer(world, days, date(2026, 3, 1))
    world.push(surgery=surgery, anaesthesia=anaesthesia)
    return world


@pytest.mark.parametrize("surgery", [SURGERY, later(7)])
def test_answered_for_another_anaesthetic_with_fewer_days_it_is_asked_again_with_those_of_this_one(surgery):
    """Apixaban: two days without a needle near the spine, 72 hours before one (ASRA 2018, from memory): three days."""
    world = under("general", 2)
    _, row, _ = move(world, surgery, date(2026, 3, 6), anaesthesia="spinal")
    assert row.need == "approve again" and row.again
    assert (row.days, row.last_dose) == (3, surgery - timedelta(days=4))
    assert row.fewer is (surgery == SURGERY)
    own = world.state().items[HOLD]
    assert own.round == 2 and own.answer is None
    for _ in range(2):  # made again it goes on to propose those, and pushed again nothing changes
        again = world.push(surgery=surgery, anaesthesia="spinal")
        assert again.changing == () and again.plan.item(HOLD).hold.missed_days == 3
    answer(world, 2, date(2026, 3, 7))  # the prescriber knows of the needle, and decides
    world.push(surgery=surgery, anaesthesia="spinal")
    assert world.state().items[HOLD].round == 2 and world.plan(surgery=surgery).item(HOLD).hold.missed_days == 2


@pytest.mark.parametrize("surgery", [SURGERY, later(7)])
def test_a_move_of_the_anaesthetic_that_is_told_again_asks_for_the_same_days(surgery):
    """Run again, a move lays the plan as it stands beside what was before it: that page said that nothing is asked, or
    asked with the days of before."""
    world = under("general", 2)
    world.push(surgery=surgery, anaesthesia="general")
    before, today = world.resources(), date(2026, 3, 6)
    first = world.push(surgery=surgery, anaesthesia="spinal").plan.item(HOLD)
    again = decide(world.push(surgery=surgery, anaesthesia="spinal").plan, before, today=today)
    held = holding(again.plan.episode, before)
    row = next(c for c in medicine_changes(held.plan, held, again, today) if c.item == HOLD)
    assert (row.need, row.days, row.last_dose) == ("approve again", 3, first.hold.last_dose)


def test_what_is_asked_again_for_another_anaesthetic_names_its_order_and_its_code_as_before():
    """It named the order by the urn of the record's own file, which no server has: a move with a record was refused."""
    world = under("general", 2)
    before = world.plan().item(HOLD).hold
    assert before.reference == "MedicationRequest?identifier=https://alder-quay.example/orders|rx-1"
    move(world, SURGERY, date(2026, 3, 6), anaesthesia="spinal")
    asked = read_all(world.resources())[0][0].item(HOLD).hold
    assert (asked.reference, asked.codes, asked.missed_days) == (before.reference, before.codes, 3)
    assert "urn:" not in str(world.at(HOLD, "hold", 2).get("supportingInformation"))


@pytest.mark.parametrize(
    ("words", "mg", "kind", "part", "days", "needle"),
    [
        ("dabigatran 150 mg capsule", None, "medicine", "review", 4, 5),  # no clearance is known: both times it asks
        ("rivaroxaban 10 mg tablet", 10, "hold", "confirm", 2, 3),  # for a needle it asks why it is taken
    ],
)
def test_of_a_medicine_that_only_asks_the_days_of_the_needle_stay_proposed_too(words, mg, kind, part, days, needle):
    """The numbers of the rule table. Two days stayed proposed, or came back when the plan was made again."""
    world, options = Memory(), {"words": words, "mg": mg}
    world.push(anaesthesia="general", **options)
    told = [output("decision", valueString="hold"), output("missed-days", valueInteger=days)]
    complete(world, Key(kind, HOLD.item), part, date(2026, 3, 1), output=told)
    world.push(anaesthesia="general", **options)
    asked = Key("medicine", HOLD.item)
    for again in range(3):
        plan = world.plan(anaesthesia="spinal", **options)
        decided = world.push(plan)
        assert decided.plan.item(asked).hold.missed_days == needle and not decided.plan.item(asked).hold.answered
        assert not (again and decided.changing)
    assert world.state().items[asked].answer is None


def test_answered_for_another_anaesthetic_when_the_pause_has_begun_says_what_still_fits():
    world = under("general", 2)
    _, row, _ = move(world, SURGERY, SURGERY - timedelta(days=2), anaesthesia="spinal")
    assert row.need == "cannot be met" and row.fewer
    assert (row.days, row.possible, row.earliest) == (3, 2, later(1))
    assert "for another anaesthetic, with fewer days off" in medicine_sentence(row, Moment(SURGERY))


@pytest.mark.parametrize(
    "before,days,now,today",
    [
        ("spinal", 3, "general", date(2026, 3, 6)),  # fewer days are proposed for it
        ("general", 3, "spinal", date(2026, 3, 6)),  # as many as are proposed now
        ("spinal", 2, "spinal", date(2026, 3, 6)),  # a prescriber decided, who knew of the needle
        ("general", 2, "spinal", SURGERY + timedelta(days=1)),  # surgery is over
    ],
)
def test_another_anaesthetic_that_proposes_no_more_than_was_answered_asks_nothing(before, days, now, today):
    world = under(before, days)
    _, row, _ = move(world, SURGERY, today, anaesthesia=now)
    assert not row.again and world.state().items[HOLD].round == 1
    assert world.plan(surgery=SURGERY, anaesthesia=now).item(HOLD).hold.missed_days == days


def test_moved_to_an_earlier_day_a_begun_pause_goes_on_and_no_restart_is_spoken_of():
    world = start(later(14), 3)
    complete(world, HOLD, "stop", date(2026, 3, 5))
    _, row, _ = move(world, SURGERY, date(2026, 3, 6))
    assert row.sooner and row.is_stopped and row.last_dose == date(2026, 3, 14)
    assert row.need == "stays stopped" and restart_tasks(world) == []


@pytest.mark.parametrize(
    ("today", "dose", "verdict"),
    [
        (date(2026, 4, 4), None, ("restart-due", 3)),  # the last-dose day of the new pause: it may be taken still
        (date(2026, 4, 5), None, ("answered", 0)),  # the first day without a dose
        (date(2026, 4, 6), date(2026, 4, 6), ("taken", 3)),
        (date(2026, 4, 8), date(2026, 4, 6), ("taken", 3)),  # that morning surgery can still be put off
        (date(2026, 4, 9), None, ("not-yet-due", 0)),
        (date(2026, 4, 10), None, ("restart-due", 2)),  # the day that the plan proposes
    ],
)
def test_a_restart_that_nobody_answered_hides_nothing_of_the_pause_for_the_new_day(today, dose, verdict):
    """Three days for 2026-04-08: last dose on 2026-04-04 (day -4). "Restart it" inside that pause would undo it."""
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    answer(world, 3, date(2026, 3, 18))
    world.push(surgery=later(21))
    if dose:
        taken(world, dose)
    rows = {r.item: r for r in worklist(read_all(world.resources()), [], today).rows}
    assert (rows[str(HOLD)].verdict, rows[str(HOLD)].severity) == verdict


def test_put_off_again_the_restart_that_nobody_answered_is_asked_for_on_the_days_of_the_new_pause_too():
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    answer(world, 3, date(2026, 3, 18))
    world.push(surgery=later(21))
    held = holding(world.plan(surgery=later(21)).episode, world.resources())
    world.send(withdraw(held.plan, world.resources(), "put off", today=date(2026, 4, 6), suspended=True))
    rows = {r.item: r for r in worklist(read_all(world.resources()), [], date(2026, 4, 6)).rows}
    assert (rows[str(HOLD)].verdict, rows[str(HOLD)].severity) == ("restart-due", 3)


@pytest.mark.parametrize(
    ("day", "verdict"),
    [(date(2026, 4, 9), "restarted"), (date(2026, 4, 8), "restarted"), (date(2026, 4, 7), "restart-due")],
)
def test_the_restart_that_a_move_asked_for_counts_for_the_new_pause_where_it_is_of_after_surgery(day, verdict):
    """A restart of before the surgery of 2026-04-08 ends no pause of it."""
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    answer(world, 3, date(2026, 3, 18))
    world.push(surgery=later(21))
    complete(world, HOLD, RESTART, day)
    rows = {r.item: r for r in worklist(read_all(world.resources()), [], date(2026, 4, 10)).rows}
    assert rows[str(HOLD)].verdict == verdict


def test_moved_again_while_the_restart_waits_asks_in_the_new_round():
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    answer(world, 2, date(2026, 3, 17))
    world.push(surgery=later(21))
    move(world, later(35), date(2026, 3, 18))
    waiting = [r for r in restart_tasks(world) if r["status"] == "requested"]
    assert len(waiting) == 1


def test_restarted_before_the_new_day_is_no_end_of_the_hold():
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    move(world, later(21), date(2026, 3, 16))
    complete(world, HOLD, RESTART, date(2026, 3, 17))
    state = world.state().items[HOLD]
    assert state.restarted_on is None and not state.restart_asked
    _, row, _ = move(world, later(28), date(2026, 3, 20))
    assert row.need != "ask about restart" and not row.is_stopped


def test_cancelled_surgery_asks_for_the_restart_of_every_stopped_medicine():
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    plan = holding(world.plan().episode, world.resources()).plan
    decided = withdraw(plan, world.resources(), "theatre closed", today=date(2026, 3, 16))
    assert [d.part for d in decided.rows if d.word == "create"] == [RESTART]
    world.send(decided)
    assert world.at(HOLD, RESTART)["status"] == "requested"
    assert withdraw(plan, world.resources(), "theatre closed", today=date(2026, 3, 20)).changing == ()
    complete(world, HOLD, RESTART, date(2026, 3, 17))
    assert world.state().items[HOLD].restarted_on == date(2026, 3, 17)


@pytest.mark.parametrize("died", [{"deceasedDateTime": "2026-03-15"}, {"deceasedBoolean": True}])
def test_nothing_is_asked_for_the_dead(died):
    world = start(SURGERY, 3)
    complete(world, HOLD, "stop", date(2026, 3, 14))
    ref, patient = next((ref, r) for ref, r in world.resources() if r["resourceType"] == "Patient")
    world.put(ref, {**patient, **died})
    plan = holding(world.plan().episode, world.resources()).plan
    decided = withdraw(plan, world.resources(), "the patient died", today=date(2026, 3, 16))
    world.send(decided)
    assert restart_tasks(world) == [] and not any("restart" in n for n in decided.notices)
    statuses = {r["status"] for _, r in world.resources() if r["resourceType"] == "Task"}
    assert statuses == {"cancelled", "completed"}


def test_suspended_and_moved_to_a_new_day():
    world = start(SURGERY, 3)
    complete(world, BLOOD, "task", date(2026, 3, 2))
    plan = holding(world.plan().episode, world.resources()).plan
    world.send(withdraw(plan, world.resources(), "flood", suspended=True, today=date(2026, 3, 5)))
    state = world.state()
    assert state.plan_status == "on-hold" and state.items[CALL].cls == "withdrawn"
    assert state.items[BLOOD].status == "completed"
    assert withdraw(plan, world.resources(), "flood", suspended=True, today=date(2026, 3, 6)).changing == ()
    move(world, later(14), date(2026, 3, 6))
    state = world.state()
    stored = next(p for p, _ in read_all(world.resources()))
    assert state.plan_status == "active" and stored.withdrawn == ""
    assert state.items[CALL].cls == "open" and state.items[BLOOD].status == "completed"
    assert state.items[HOLD].round == 2 and state.items[HOLD].answer is None


# age at the new surgery


def test_done_and_still_valid_or_done_and_to_be_done_again():
    world = start(SURGERY)
    complete(world, CALL, "task", date(2026, 3, 10))
    complete(world, BLOOD, "task", date(2026, 3, 9))
    complete(world, WASH, "task", date(2026, 3, 17))
    _, _, rows = move(world, later(21), date(2026, 3, 17))  # 2026-04-08: blood counts from 2026-03-09
    assert (rows[CALL].change, rows[BLOOD].change, rows[WASH].change) == ("valid", "valid", "again")
    assert "2026-03-09" in rows[BLOOD].reason and "for the earlier date" in rows[WASH].reason
    _, _, rows = move(world, later(22), date(2026, 3, 17))  # a day later the blood is 31 days old
    assert rows[BLOOD].change == "again"
    assert rows[BLOOD].reason == "done Mon 2026-03-09; counts only from Tue 2026-03-10 (30 days before surgery)"


def test_two_of_five_days_of_a_course_done_and_surgery_moves_by_a_week():
    """The course is restarted whole: Fri 2026-03-20 to Tue 2026-03-24 before Wed 2026-03-25."""
    names = {f"day-{n}": f"{n} days before surgery" for n in (5, 4, 3, 2)} | {"day-1": "1 day before surgery"}
    course = ", ".join(f"{name}: {phrase}" for name, phrase in names.items())
    changes = (("at: {evening: 1 day before surgery, morning: day of surgery}", f"at: {{{course}}}"),)
    from waykeeper.plan.model import Key

    days = [Key("task", "wash", name) for name in names]
    world = Memory()
    world.push(changes=changes)
    for key, on in zip(days[:2], (date(2026, 3, 13), date(2026, 3, 14)), strict=True):
        complete(world, key, "task", on)
    _, _, rows = move(world, later(7), date(2026, 3, 14), changes=changes)
    assert [rows[k].change for k in days] == ["again", "again", "moved", "moved", "moved"]
    state, plan = world.state(), next(p for p, _ in read_all(world.resources()))
    assert [state.items[k].cls for k in days] == ["open"] * 5
    assert [plan.item(k).dates.at.day for k in days] == [date(2026, 3, d) for d in (20, 21, 22, 23, 24)]


def test_failed_work_is_not_done():
    world = start(SURGERY)
    world.edit(CALL, "task", status="failed")
    _, _, rows = move(world, later(21), date(2026, 3, 10))
    assert rows[CALL].change not in ("valid", "again")


def test_an_attended_visit_is_done_and_a_booking_stands():
    world = start(SURGERY)
    book(world, date(2026, 4, 1))
    _, _, rows = move(world, later(21), date(2026, 3, 10))
    assert rows[VISIT].change == "moved"
    assert world.at(VISIT, "appointment")["start"] == instant(date(2026, 4, 1))


def test_what_turned_is_said_once():
    world = start(SURGERY)
    old = world.plan()
    assert turned(old, old) == ()
    told = {t.name: (t.before, t.after) for t in turned(old, world.plan(surgery=later(21)))}
    assert told["surgery"] == ("Wed 2026-03-18 07:30 (given)", "Wed 2026-04-08 07:30 (given)")
    assert set(told) == {"surgery", "discharge"}


def test_there_and_back_gives_the_first_plan_again():
    world = start(SURGERY)
    first = next(p for p, _ in read_all(world.resources()))
    move(world, later(21), date(2026, 3, 2))
    move(world, SURGERY, date(2026, 3, 2))
    again, state = next(iter(read_all(world.resources())))
    assert again.items == first.items and again.anchors == first.anchors
    assert answers(state).rounds == {}


def test_moved_and_moved_back_says_that_it_was_answered_and_needs_a_new_answer():
    """`Never answered, not for the old date either` of what was answered for this very day: the words were wrong."""
    world = start(SURGERY, 3)
    _, first, _ = move(world, later(14), date(2026, 3, 2))
    _, back, _ = move(world, SURGERY, date(2026, 3, 3))
    assert (first.need, first.again, first.earlier) == ("approve again", True, False)
    assert (back.need, back.again, back.earlier) == ("approve again", True, True)
    assert back.last_dose == SURGERY - timedelta(4), "it is asked again all the same"
    said = medicine_sentence(back, None)
    assert "It was answered before surgery was last moved, and not since; the new date needs a new answer." in said
    never = start(SURGERY)
    move(never, later(14), date(2026, 3, 2))
    assert move(never, SURGERY, date(2026, 3, 3))[1].need == "answer"


def test_what_was_done_and_left_out_by_an_answer_is_not_told_again_at_each_move():
    """It stays on the server with the dates on which it was last wanted: the next page told them as news."""
    world = start(SURGERY)
    gloves = Key("task", "latex-free")
    complete(world, gloves, "task", date(2026, 3, 1))
    said = [{"type": {"coding": [{"system": TASK_CODES, "code": "answer"}]}, "valueString": "no"}]
    complete(world, LATEX, "ask", date(2026, 3, 1), output=said)
    _, _, first = move(world, later(14), date(2026, 3, 2))
    assert {first[k].change for k in (gloves, LATEX)} == {"gone"}
    assert first[gloves].reason == "done Sun 2026-03-01", "it is not told as if nobody had done it"
    _, _, back = move(world, SURGERY, date(2026, 3, 3))
    assert gloves not in back and LATEX not in back
    assert all(world.state().items[k].cls == "done" for k in (gloves, LATEX)), "nothing of it is lost"


def test_a_dose_of_one_medicine_is_none_of_another():
    """Two are paused, of one a dose is recorded: of the other nobody knows that it was taken, so no pause is counted
    from that day (merge.md: each stopped medicine gets a restart row of its own)."""
    world = Memory()
    plan = world.plan()
    other = Key("hold", "https://alder-quay.example/orders|rx-2")
    second = replace(plan.item(HOLD), key=other)
    world.push(replace(plan, items=(*plan.items, second)))
    taken(world, date(2026, 3, 13))
    held = holding(plan.episode, world.resources())
    assert [str(one and one.day) for one in (last_taken(held, HOLD), last_taken(held, other))] == ["2026-03-13", "None"]
    assert [(one.item.key, one.how) for one in stopped(held, TODAY)] == [(HOLD, "recorded")]


def test_surgery_at_another_hour_tells_each_new_time_of_day_and_not_the_same_day_twice():
    world = start(SURGERY)
    before, later_that_day = world.plan(), world.plan(clock=time(13, 0))
    rows = difference(before, later_that_day, world.state(), decide(later_that_day, world.resources()))
    moved = [(r.before, r.after) for r in rows if r.change == "moved"]
    assert moved and all(was != now for was, now in moved)
    assert ("2026-03-18 07:30", "2026-03-18 13:00") in moved


def test_a_point_that_only_its_working_day_hides_or_another_zone_is_no_other_date():
    """By 5 days before instead of 3, and both are the Friday before a weekend: nothing that anybody reads differs."""
    friday, sunday = Moment(date(2026, 3, 13)), Moment(date(2026, 3, 15))
    was, now = Dates(target=sunday, at=friday), Dates(target=friday, at=friday)
    assert _told_apart(was, now) == ("2026-03-13", "2026-03-13")
    here, there = (Dates(at=Moment(SURGERY, time(7, 30), z)) for z in ("America/Chicago", "America/New_York"))
    assert len(set(_told_apart(here, there))) == 1
    window = Window(Moment(SURGERY), Moment(later(7)))
    points = _told_apart(Dates(at=Moment(later(1)), window=window), Dates(at=Moment(later(2)), window=window))
    assert points == (later(1).isoformat(), later(2).isoformat())
