"""What a person closed with a reason leaves the list, keeps its word, and comes back where the reason cannot hold."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from gaps.plans import SURGERY, ankle, dates, item, plan, state
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
