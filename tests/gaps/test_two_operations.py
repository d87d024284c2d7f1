"""Two operations of one patient close together: a plan that was made without the other one says so before surgery.

One medicine paused for both needs one answer (the longer pause is shown, restart between asked for: our contract); what
the first operation forbids holds on the day of the second (six weeks without weight: common practice, no source).
"""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest

from gaps.plans import SURGERY, ZONE, dates, plan, with_dates
from waykeeper.gaps import worklist
from waykeeper.gaps.model import TheatreCase, TheatreList
from waykeeper.plan.beside import with_pauses_of_before
from waykeeper.plan.model import HoldAnswer, HoldProposal, Item, ItemState, Key, State
from waykeeper.report.calendars import calendar_ics
from waykeeper.report.medicine_lines import medicine_line
from waykeeper.timing.model import Anchor, Moment, Standing

HOLD = Key("hold", "apixaban")
WEIGHT = Item(Key("restriction", "weight"), "No weight on the operated foot")
WEIGHT = with_dates(WEIGHT, at=Moment(SURGERY), earliest=SURGERY + timedelta(weeks=6))
NAME = "Total ankle replacement"
TODAY = SURGERY - timedelta(days=10)


def hold(surgery: date, *made_with: str, days: int = 2, **more) -> Item:
    last = surgery - timedelta(days=days + 1)
    said = HoldProposal("hold", "apixaban 5 mg", missed_days=days, last_dose=last, alternatives=made_with,
                        first_missed=last + timedelta(days=1), ingredients=("apixaban",), **more)  # fmt: skip
    return Item(HOLD, "Pause apixaban 5 mg", dates=dates(last), hold=said)


def told(*plans, as_of=TODAY):
    pairs = [p if isinstance(p, tuple) else (p, State()) for p in plans]
    return {r.episode: r for r in worklist(pairs, (), as_of).rows if r.kind == "plan"}


def first(*items: Item):
    return plan(*(items or (hold(SURGERY),)), side="left")


def second(days_later: int, *made_with: str, **more):
    day = SURGERY + timedelta(days=days_later)
    return plan(hold(day, *made_with, **more), surgery=day, side="right", number=2)


def test_each_plan_that_was_made_without_the_other_asks():
    rows = told(first(), second(8))
    assert [(r.verdict, r.severity) for r in rows.values()] == [("needs-review", 3)] * 2
    assert f"{NAME} right, episode 2 on Thu 2026-03-26: apixaban 5 mg" in rows[1].reason
    assert f"{NAME} left, episode 1 on Wed 2026-03-18: apixaban 5 mg" in rows[2].reason
    assert "apixaban 5 mg" in rows[1].next_action and "compile --from" in rows[1].next_action


def test_the_one_that_was_made_with_the_other_does_not_ask_until_that_one_moves():
    known = f"{NAME} left, episode 1 on Wed 2026-03-18: N = 2, last dose Sun 2026-03-15"
    rows = told(first(), second(8, known))
    assert (rows[1].verdict, rows[2].verdict) == ("needs-review", "current")
    moved = SURGERY + timedelta(days=1)
    rows = told(plan(hold(moved), surgery=moved, side="left"), second(8, known))
    assert rows[2].verdict == "needs-review" and "Thu 2026-03-19" in rows[2].reason


# The restart may lie fourteen days after surgery, and one for less than a week is asked about: both are ours. The pause
# of the second begins three days before it: 14 + 7 + 3 days after the first they are apart.
@pytest.mark.parametrize(("later", "word"), [(0, "needs-review"), (23, "needs-review"), (24, "current")])
def test_operations_that_are_far_apart_do_not_ask(later, word):
    assert {r.verdict for r in told(first(), second(later)).values()} == {word}


def test_another_key_of_the_same_substance_is_the_same_medicine():
    other = second(8)
    renamed = Item(Key("hold", "order-7"), "Pause", hold=other.items[0].hold)
    assert told(first(), plan(renamed, surgery=other.surgery_day, number=2))[1].verdict == "needs-review"


def test_pauses_of_two_medicines_at_one_time_are_none_of_both():
    proposal = replace(second(8).items[0].hold, words="warfarin 5 mg", ingredients=("warfarin",))
    other = Item(Key("hold", "order-7"), "Pause", hold=proposal)
    assert told(first(), plan(other, surgery=SURGERY + timedelta(days=8), number=2))[1].verdict == "current"


@pytest.mark.parametrize(
    "own",
    [
        {"answer": HoldAnswer("continue")},
        {"answer": HoldAnswer("already stopped")},
        {"cls": "withdrawn"},
    ],
)
def test_what_does_not_pause_for_one_of_them_is_no_pause_of_both(own):
    state = State({HOLD: ItemState(HOLD, **own)})
    assert {r.verdict for r in told((first(), state), second(8)).values()} == {"current"}


def test_a_pause_that_is_over_is_none_of_the_second():
    state = State({HOLD: ItemState(HOLD, answer=HoldAnswer("hold", 2), restarted_on=SURGERY + timedelta(days=2))})
    between = SURGERY + timedelta(days=3)
    assert told((first(), state), second(8), as_of=between)[2].verdict == "current"
    assert told(first(), second(8), as_of=between)[2].verdict == "needs-review"


@pytest.mark.parametrize("found", ["another hour", "not on the list"])
def test_what_is_lighter_on_the_theatre_list_does_not_hide_it(found):
    """The list's hour a quarter of an hour off is of severity 1, a case that is missing 2: both are said besides."""
    start = Moment(SURGERY, time(7, 30), ZONE)
    one = replace(first(), anchors=(Anchor("surgery", start, Standing.GIVEN),))
    case = TheatreCase("case-1", (str(one.patient.identifier),), SURGERY, start=time(7, 45))
    cases = (case,) if found == "another hour" else ()
    listed = worklist([(one, State()), (second(8), State())], (), TODAY, theatre=TheatreList(cases, SURGERY, SURGERY))
    row = next(r for r in listed.rows if r.kind == "plan" and r.episode == 1)
    assert (row.severity, "apixaban" in row.reason, len(row.questions)) == (3, True, 1)


def test_a_plan_that_is_over_asks_nothing():
    ended = plan(hold(SURGERY), side="left", withdrawn="surgery cancelled")
    assert told(ended, second(8))[2].verdict == "current"
    assert told(first(), second(8), as_of=SURGERY + timedelta(days=1))[1].verdict == "current"


def test_what_the_first_still_forbids_is_told_of_the_second():
    rows = told(first(WEIGHT), plan(surgery=SURGERY + timedelta(days=41), number=2))
    assert (rows[1].verdict, rows[2].verdict, rows[2].severity) == ("current", "needs-review", 2)
    assert f"{NAME} left, episode 1 on Wed 2026-03-18: No weight on the operated foot" in rows[2].reason
    free = told(first(WEIGHT), plan(surgery=SURGERY + timedelta(days=42), number=2))
    assert free[2].verdict == "current"  # from its earliest day on it may have been released
    both = told(first(WEIGHT), plan(WEIGHT, number=2))
    assert {r.verdict for r in both.values()} == {"needs-review"}  # both legs on one day


def test_what_may_not_apply_at_all_is_not_told():
    unsure = Item(WEIGHT.key, WEIGHT.title, dates=WEIGHT.dates, undecided=("drives",))
    assert told(first(unsure), plan(surgery=SURGERY + timedelta(days=8), number=2))[2].verdict == "current"


# What is recorded in one of two plans and matters to the other.

ANSWERED = ItemState(HOLD, answer=HoldAnswer("hold", 2))
LATER = SURGERY + timedelta(days=8)


def both(first_own=ANSWERED, second_own=ANSWERED, days_later=8):
    return with_pauses_of_before([
        (first(), State({HOLD: first_own})), (second(days_later), State({HOLD: second_own})),
    ])  # fmt: skip


def line(pair):
    return medicine_line(pair[0], pair[0].items[0], pair[1])


def test_no_sheet_names_a_later_last_dose_while_the_pause_of_before_runs():
    """Told "no dose until we call you" by the first sheet, the patient read a day in the second on which it may be
    taken last. Until the restart is recorded the second says to wait for the call."""
    one, other = both()
    assert (line(one).told, line(one).last_dose) == ("hold", SURGERY - timedelta(days=3))
    assert (line(other).told, line(other).last_dose) == ("wait", None)
    now = datetime(2026, 3, 1, tzinfo=UTC)
    calendars = [calendar_ics(*p, sequence=0, now=now, language="en").decode() for p in (one, other)]
    assert ["SUMMARY:Last" in text for text in calendars] == [True, False]
    row = next(r for r in worklist([one, other], (), TODAY).rows if r.episode == 2 and r.kind == "hold")
    assert row.verdict == "answered" and f"{NAME} left, episode 1 on Wed 2026-03-18 already" in row.reason


@pytest.mark.parametrize(
    ("own", "days_later"),
    [
        (replace(ANSWERED, restarted_on=SURGERY + timedelta(days=1)), 8),
        (ItemState(HOLD), 8),  # only proposed: nobody was told to stop
        (replace(ANSWERED, answer=HoldAnswer("continue")), 8),
        (replace(ANSWERED, cls="withdrawn"), 8),
        (ANSWERED, 30),  # far apart: it is taken in between
    ],
)
def test_once_it_is_taken_again_or_does_not_pause_the_second_names_its_day(own, days_later):
    told_now = line(both(own, days_later=days_later)[1])
    assert (told_now.told, told_now.last_dose) == ("hold", SURGERY + timedelta(days=days_later - 3))


def test_one_last_dose_for_both_is_no_contradiction():
    """The longer pause as the prescriber confirmed it: both begin on one day."""
    one, other = both(second_own=replace(ANSWERED, answer=HoldAnswer("hold", 10)))
    assert [line(p).last_dose for p in (one, other)] == [SURGERY - timedelta(days=3)] * 2


def dose(day):
    return replace(ANSWERED, last_taken=Moment(day))


def test_a_dose_that_was_noted_in_one_plan_is_seen_by_the_other():
    inside = LATER - timedelta(days=1)
    rows = [r for r in worklist(both(dose(inside)), (), inside).rows if r.kind == "hold"]
    assert {r.episode: r.verdict for r in rows} == {1: "restart-due", 2: "taken"}


def test_a_dose_of_before_its_pause_proves_no_last_dose_of_it():
    noted = SURGERY - timedelta(days=4)
    rows = [r for r in worklist(both(dose(noted)), (), LATER - timedelta(days=1)).rows if r.kind == "hold"]
    assert {r.episode: r.verdict for r in rows}[2] == "answered"


def test_a_plan_that_was_made_again_with_both_in_view_asks_by_its_new_line_only():
    """What was answered keeps the older line in the plan: it made the plan's row ask for ever."""
    known = f"{NAME} left, episode 1 on Wed 2026-03-18: N = 2, last dose Sun 2026-03-15"
    asks = replace(hold(LATER, known), key=Key("medicine", "apixaban"))
    made = plan(hold(LATER), asks, surgery=LATER, side="right", number=2)
    state = State({HOLD: ANSWERED, asks.key: ItemState(asks.key)})
    assert told(first(), (made, state))[2].verdict == "current"
    assert [medicine_line(made, i, state).told for i in made.items] == ["wait", "wait"]
    answered = State({HOLD: ANSWERED, asks.key: replace(ANSWERED, key=asks.key)})
    assert [medicine_line(made, i, answered).told for i in made.items] == ["hold", "hold"]
