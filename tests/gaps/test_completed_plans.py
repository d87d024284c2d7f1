"""A plan whose days are over: the list asks to complete it, and leaves it out once it is, without losing anything."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from gaps.plans import SURGERY, ankle, dates, evidence, item, link, plan, visit
from waykeeper.gaps import worklist
from waykeeper.plan.model import Completion, ItemState, Key, State
from waykeeper.report.terminal import terminal
from waykeeper.timing.model import Standing

TASK, RULE = Key("task", "forms"), Key("restriction", "no-weight")
LAST = SURGERY + timedelta(days=300)
OVER = LAST + timedelta(days=1)
BY_HAND = Completion()
NOTED = Completion(OVER, "Ruth Alderman, RN", "well, by telephone")


def small(*more):
    return plan(item("task", "forms", dates(LAST, (LAST, LAST)), harm=1), *more)


def state(end=None, **of_task):
    done = {"status": "completed", "cls": "done", "done_on": LAST}
    return State({TASK: ItemState(TASK, **(of_task or done))}, completed=end)


def whole(one, told, as_of=OVER, found=()):
    report = worklist([(one, told)], found, as_of)
    return next(r for r in report.rows if r.kind == "plan"), report


def test_the_end_of_its_days_asks_to_complete_it():
    row, _ = whole(small(), state(), as_of=LAST)
    assert row.verdict == "current"
    row, _ = whole(small(), state())
    assert (row.verdict, row.gap, row.severity, row.since) == ("to-complete", True, 1, OVER)
    assert f"was {LAST:%a %Y-%m-%d}, and nothing in it is open" in row.reason


def test_not_while_something_is_open():
    row, _ = whole(small(), state(status="requested"))
    assert row.verdict == "current", "the open task is on the list itself"
    row, _ = whole(small(), state(status="requested", closed_because="moved away", closed_on=LAST))
    assert row.verdict == "to-complete"


def test_a_restriction_that_no_day_asks_about_is_asked_about_at_the_end():
    rule = item("restriction", "no-weight", dates(SURGERY, (SURGERY, SURGERY)))
    row, report = whole(small(rule), state())
    assert next(r.verdict for r in report.rows if r.item == str(RULE)) == "in-force"
    assert row.verdict == "to-complete" and "what still holds: No weight" in row.reason
    assert row.next_action.startswith("Ask the surgeon whether that ends")


@pytest.mark.parametrize("end", [BY_HAND, NOTED])
def test_a_completed_plan_is_told_in_a_count(end):
    row, report = whole(small(), state(end, status="requested"))
    assert (row.verdict, row.gap) == ("completed", False)
    (task,) = [r for r in report.rows if r.item == str(TASK)]
    assert (task.verdict, task.gap, task.closed) == ("overdue", True, True), "measures go on counting it"
    assert (task.closed_by, task.closed_on) == (end.by, end.on)
    assert report.gaps == () and report.closed == ()
    assert "1 plan completed, with 1 step not done or not recorded" in " ".join(terminal(report).split())


@pytest.mark.parametrize("end", [BY_HAND, NOTED])
def test_what_waits_for_a_decision_stays(end):
    rule = item("restriction", "no-weight", replace(dates(SURGERY, (SURGERY, SURGERY)), earliest=SURGERY))
    _, report = whole(small(rule), state(end))
    (left,) = report.gaps
    assert left.item == str(RULE) and "waits for a decision, which no reason replaces" in left.reason


def test_a_conflict_stays():
    row, _ = whole(small(), replace(state(BY_HAND), conflicts=("Two dates",)))
    assert row.verdict == "conflict" and row.questions == ("Completed.",)


def test_an_operation_that_nothing_proves_is_asked_about_all_the_same():
    planned = tuple(replace(a, standing=Standing.GIVEN) for a in small().anchors)
    row, report = whole(replace(small(), anchors=planned), state(BY_HAND, status="requested"))
    assert (row.verdict, row.gap, row.questions) == ("unproven", True, ("Completed.",))
    assert [r.item for r in report.gaps] == ["plan/plan"] and report.closed == ()
    assert "1 plan completed, with 1 step not done or not recorded" in " ".join(terminal(report).split())


def test_a_filter_that_leaves_the_plans_own_row_out_says_nothing_of_a_person():
    _, report = whole(small(), state(BY_HAND, status="requested"))
    some = replace(report, rows=[r for r in report.rows if r.kind != "plan"])
    assert some.closed == () and list(some.completed.values()) == [1]


def test_what_is_booked_or_missed_after_it_is_told():
    one = plan(visit("six-week"))
    rest = State(completed=Completion(OVER, "Ruth Alderman, RN"))
    late = evidence("Appointment/9", "booked", OVER + timedelta(days=20), link_to=link(one, "six-week"))
    _, report = whole(one, rest, OVER + timedelta(days=100), [late])
    assert [(r.item, r.verdict) for r in report.gaps] == [("visit/six-week", "unconfirmed")]
    _, report = whole(one, rest, OVER + timedelta(days=10), [late])
    assert [(r.item, r.verdict) for r in report.gaps] == [("visit/six-week", "booked-late")]
    assert "find out whether the reason still holds" in report.gaps[0].reason


@pytest.mark.parametrize("end", [BY_HAND, Completion(SURGERY + timedelta(days=50))])
def test_while_its_days_run_nobody_takes_it_for_over(end):
    row, report = whole(ankle(), State(completed=end), SURGERY + timedelta(days=100))
    assert (row.verdict, row.severity, row.first) == ("needs-review", 2, False)
    assert "its days run until Mon 2027-05-17" in row.reason
    gaps = {r.item for r in report.gaps}
    assert {"plan/plan", "visit/two-week", "visit/six-week"} <= gaps
    _, before = whole(ankle(), State(), SURGERY + timedelta(days=100))
    assert gaps == {r.item for r in before.gaps} | {"plan/plan"}


def test_a_stay_after_it_is_listed_as_any_other():
    stay = evidence("Encounter/3", "finished", OVER, kind="encounter")
    _, report = whole(small(), state(BY_HAND), OVER, [stay])
    assert [p.reference for p in report.unplanned] == ["Encounter/3"]


@pytest.mark.parametrize("as_of", [SURGERY - timedelta(days=3), SURGERY])
def test_before_surgery_is_over_nobody_takes_it_for_over(as_of):
    due = SURGERY - timedelta(days=10)
    one = plan(item("task", "forms", dates(due, (due, due)), harm=1))
    row, report = whole(one, state(BY_HAND, status="requested"), as_of)
    assert (row.verdict, row.severity, row.first) == ("needs-review", 3, True)
    assert {r.item for r in report.gaps} == {"plan/plan", str(TASK)}


def test_on_a_day_before_it_the_list_is_as_it_was():
    row, report = whole(small(), state(NOTED, status="requested"), OVER - timedelta(days=1))
    assert row.verdict == "current"
    row, report = whole(small(), state(replace(NOTED, on=OVER + timedelta(days=9)), status="requested"))
    assert row.verdict == "current" and [r.item for r in report.gaps] == [str(TASK)]


def test_what_was_closed_before_with_its_own_reason_keeps_it():
    told = state(NOTED, status="requested", closed_because="moved away", closed_by="Ann", closed_on=date(2026, 9, 1))
    _, report = whole(small(), told)
    (task,) = [r for r in report.rows if r.item == str(TASK)]
    assert (task.closed_because, task.closed_by, task.closed_on) == ("moved away", "Ann", date(2026, 9, 1))
