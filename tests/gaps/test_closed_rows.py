"""What a person closed with a reason leaves the list, keeps its word, and comes back where the reason cannot hold."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from gaps.plans import SURGERY, ankle, dates, evidence, item, link, plan, state
from waykeeper.gaps import changes_since, worklist
from waykeeper.gaps.contacts import may_close
from waykeeper.gaps.issues import issues
from waykeeper.plan.model import HoldProposal, State
from waykeeper.timing.model import Anchor, Moment, Standing

LATE = date(2026, 6, 26)
WHY = {"closed_because": "seen at another hospital", "closed_by": "R. Alder", "closed_on": date(2026, 6, 20)}


def listed(of, known, as_of=LATE):
    return worklist([(of, known)], (), as_of)


def row(report, name):
    return next(r for r in report.rows if r.item == name)


def test_a_missed_visit_that_was_closed_is_missed_and_no_longer_to_do():
    report = listed(ankle(), state(visit__six_week=WHY))
    mine = row(report, "visit/six-week")
    assert (mine.verdict, mine.gap, mine.closed, mine.to_do) == ("missed", True, True, False)
    assert mine not in report.gaps
    assert report.closed == (mine,)
    assert (mine.closed_by, mine.closed_on) == ("R. Alder", date(2026, 6, 20))
    assert "Closed" not in mine.reason


@pytest.mark.parametrize(("on", "closed"), [(LATE, True), (date(2026, 6, 27), False), (None, True)])
def test_closed_from_the_day_of_closing_on(on, closed):
    report = listed(ankle(), state(visit__six_week={**WHY, "closed_on": on}))
    assert row(report, "visit/six-week").closed is closed


def test_closed_before_surgery_was_moved_is_on_the_list_again():
    made = ankle()
    for moved, closed in ((date(2026, 6, 19), True), (date(2026, 6, 20), False), (date(2026, 6, 21), False)):
        changed = replace(made, anchors=(*made.anchors, Anchor("change", Moment(moved), Standing.GIVEN)))
        mine = row(listed(changed, state(visit__six_week=WHY)), "visit/six-week")
        assert mine.closed is closed
        assert ("before the surgery date was changed" in mine.reason) is not closed
    undated = row(listed(changed, state(visit__six_week={**WHY, "closed_on": None})), "visit/six-week")
    assert not undated.closed


def test_a_reason_never_takes_the_place_of_a_decision():
    hold = HoldProposal("hold", "apixaban 5 mg", ("apixaban",), 2, last_dose=date(2026, 3, 15))
    items = [
        item("hold", "a", dates(date(2026, 3, 15), due_from=date(2026, 3, 4)), hold=hold),
        item("gate", "ready", dates(date(2026, 3, 11))),
        item("restriction", "no-weight", dates(earliest=date(2026, 3, 12), at=date(2026, 3, 1))),
        item("task", "class", dates(date(2026, 3, 5))),
    ]
    why = {**WHY, "closed_on": date(2026, 3, 13)}
    known = state(hold__a=why, gate__ready=why, restriction__no_weight=why, task__class=why)
    before = listed(plan(*items), known, date(2026, 3, 16))
    assert [r.item for r in before.closed] == ["task/class"]
    open_rows = {r.item: r.reason for r in before.gaps}
    assert {"hold/a", "gate/ready", "restriction/no-weight"} <= set(open_rows)
    assert all("waits for a decision, which no reason replaces" in open_rows[n] for n in ("hold/a", "gate/ready"))
    after = listed(plan(*items), known, date(2026, 3, 19))
    assert {r.item for r in after.closed} == {
        "task/class",
        "gate/ready",
    }  # the gate before surgery is of no use any more


@pytest.mark.parametrize(("kind", "on_the_day", "after"), [
    ("task", True, True), ("visit", True, True), ("question", True, True), ("goal", True, True),
    ("gate", False, True), ("hold", False, False), ("medicine", False, False), ("restriction", False, False),
    ("instruction", False, False),
])  # fmt: skip
def test_what_may_be_closed(kind, on_the_day, after):
    one = item(kind, "x")
    assert (may_close(one, SURGERY, SURGERY), may_close(one, SURGERY, date(2026, 3, 19))) == (on_the_day, after)


def test_changes_tell_what_was_closed_put_off_and_came_back():
    made = ankle()
    was = listed(made, State()).rows
    closed = listed(made, state(visit__six_week=WHY)).rows
    put_off = listed(made, state(visit__three_month={"snoozed_until": date(2026, 6, 29)})).rows
    assert [(c.kind, c.after.item) for c in changes_since(was, closed)] == [("closed", "visit/six-week")]
    assert [(c.kind, c.after.item) for c in changes_since(closed, was)] == [("back", "visit/six-week")]
    assert [(c.kind, c.after.item) for c in changes_since(was, put_off)] == [("put off", "visit/three-month")]
    assert [(c.kind, c.after.item) for c in changes_since(put_off, was)] == [("back", "visit/three-month")]
    assert changes_since(closed, closed) == ()


def test_no_issue_is_opened_about_a_closed_row():
    made, known = ankle(), state(visit__six_week=WHY)
    report = listed(made, known)
    opened = {str(c.key) for c in issues(made, known, report.rows, (), LATE) if c.word == "create"}
    assert "visit/three-month" in opened and "visit/six-week" not in opened


def test_a_restriction_may_be_put_off_past_its_earliest_day():
    made = plan(item("restriction", "no-weight", dates(earliest=date(2026, 4, 29), at=SURGERY)))
    report = listed(made, state(restriction__no_weight={"snoozed_until": date(2026, 7, 2)}))
    assert [r.item for r in report.snoozed] == ["restriction/no-weight"]


EARLY = {"closed_because": "will call after the holiday", "closed_by": "R. Alder", "closed_on": date(2026, 4, 1)}


def six_week(as_of, closed_on, *seen, **more):
    """The row of a six-week visit (window 04-22 to 05-06, late from 05-05 on) that was closed, and what was `seen`."""
    made = ankle()
    known = state(visit__six_week={**EARLY, "closed_on": closed_on})
    found = [
        evidence(f"Appointment/{i}", s, d, link_to=link(made, "six-week"), **more) for i, (s, d) in enumerate(seen)
    ]
    return row(worklist([(made, known)], found, as_of), "visit/six-week")


@pytest.mark.parametrize(("as_of", "seen", "word", "first"), [
    (date(2026, 5, 10), (), "missed", date(2026, 5, 7)),
    (date(2026, 5, 7), (), "missed", date(2026, 5, 7)),
    (date(2026, 5, 6), (), "overdue", date(2026, 5, 4)),
    (date(2026, 5, 10), [("booked", date(2026, 4, 29))], "unconfirmed", date(2026, 4, 30)),
    (date(2026, 4, 30), [("noshow", date(2026, 4, 29))], "rebook", date(2026, 4, 29)),
    (date(2026, 4, 30), [("fulfilled", date(2026, 5, 1))], "needs-review", date(2026, 5, 1)),
    (date(2026, 5, 8), [("booked", date(2026, 5, 20))], "booked-late", date(2026, 5, 7)),
    (date(2026, 5, 1), [("fulfilled", date(2026, 4, 7))], "needs-review", date(2026, 4, 7)),
])  # fmt: skip
def test_what_came_after_the_closing_lists_the_row_again_until_it_is_closed_again(as_of, seen, word, first):
    late = six_week(as_of, date(2026, 4, 1), *seen)
    assert (late.verdict, late.closed, late.to_do) == (word, False, True)
    assert "Closed by R. Alder on Wed 2026-04-01 (will call after the holiday); what is said here came" in late.reason
    assert not six_week(as_of, min(as_of, first - timedelta(days=1)), *seen).closed
    if first <= as_of:
        assert six_week(as_of, first, *seen).closed


@pytest.mark.parametrize(("as_of", "seen", "word"), [
    (date(2026, 4, 20), (), "to-book"),
    (date(2026, 4, 30), [("cancelled", date(2026, 4, 29))], "rebook"),
    (date(2026, 4, 20), [("noshow", date(2026, 3, 30))], "rebook"),
    (date(2026, 4, 20), [("booked", date(2026, 5, 20))], "booked-late"),
    (date(2026, 4, 4), [("booked", date(2026, 4, 15))], "booked-early"),
])  # fmt: skip
def test_what_whoever_closed_it_knew_or_asked_for_leaves_it_closed(as_of, seen, word):
    mine = six_week(as_of, date(2026, 4, 1), *seen)
    assert (mine.verdict, mine.gap, mine.closed) == (word, True, True)
    assert "Closed by" not in mine.reason


def test_what_is_no_gap_any_more_is_not_told_as_closed():
    mine = six_week(date(2026, 5, 10), date(2026, 4, 1), ("fulfilled", date(2026, 4, 29)))
    assert (mine.verdict, mine.gap, mine.closed) == ("attended", False, False)


def test_a_contradiction_without_a_day_cannot_be_closed_away():
    for closed_on in (date(2026, 4, 1), date(2026, 4, 20), None):
        mine = six_week(date(2026, 4, 20), closed_on, ("fulfilled", None))
        assert (mine.verdict, mine.closed) == ("needs-review", False)


def test_a_task_that_failed_or_was_done_too_early_after_it_was_closed_is_listed_again():
    made = plan(item("task", "class", dates(date(2026, 3, 5), valid_from=date(2026, 3, 2))))
    why = {**EARLY, "closed_on": date(2026, 2, 27)}
    for told, word, closed in (
        ({}, "overdue", True),
        ({"status": "failed", "cls": "done"}, "failed", False),
        ({"status": "completed", "cls": "done", "done_on": date(2026, 3, 1)}, "renew", False),
        ({"status": "completed", "cls": "done", "done_on": date(2026, 3, 20)}, "needs-review", False),
    ):
        mine = row(listed(made, state(task__class={**why, **told}), date(2026, 3, 10)), "task/class")
        assert (mine.verdict, mine.closed) == (word, closed)


def test_a_question_that_does_not_apply_stays_closed_when_its_day_is_over():
    made = plan(item("question", "works", dates(date(2026, 3, 5))))
    mine = row(listed(made, state(question__works={**EARLY, "closed_on": date(2026, 3, 1)})), "question/works")
    assert (mine.verdict, mine.closed) == ("overdue", True)


def test_changes_and_issues_tell_of_a_closed_row_that_came_back():
    made, known = ankle(), state(visit__six_week=EARLY)
    before, after = (listed(made, known, day) for day in (date(2026, 4, 2), date(2026, 5, 10)))
    assert ("back", "visit/six-week") in [(c.kind, c.after.item) for c in changes_since(before.rows, after.rows)]
    opened = {str(c.key) for c in issues(made, known, after.rows, (), date(2026, 5, 10)) if c.word == "create"}
    assert "visit/six-week" in opened
