"""Gaps as DetectedIssue and Task: identity, rounds, what is left to people. Pure: nothing is sent."""

from __future__ import annotations

from datetime import date

import pytest

from gaps.plans import ankle, evidence, link
from waykeeper.fhir import identity
from waykeeper.fhir.conformance import CODES
from waykeeper.fhir.names import GAP_KINDS
from waykeeper.gaps import worklist
from waykeeper.gaps.issues import ISSUE, TASK, issues
from waykeeper.gaps.words import entry, table
from waykeeper.plan.model import ItemState, Key, State

PLAN = ankle()
SIX_WEEK = Key("visit", "six-week")
SENTENCES = {
    "tellers",
    "tails",
    "answers",
    "questions",
    "history",
    "why",
    "notes",
    "ended",
    "actions",
    "actors",
    "titles",
    "missing",
    "missing_states",
}


def change(as_of, held=(), found=()):
    listed = worklist([(PLAN, State())], found, as_of)
    return issues(PLAN, State(), [r for r in listed.rows if r.kind == "visit"], held, as_of)


def stand(changes, held=()):
    """What the server holds once the changes went through; ids as they were computed."""
    kept = dict(held)
    for one in changes:
        if one.after is not None:
            kept[one.reference or f"{one.after['resourceType']}/{one.after['id']}"] = one.after
    return list(kept.items())


def words(changes):
    return sorted({(c.key.item, c.kind, c.part, c.round, c.word) for c in changes})


SIX = date(2026, 5, 10)  # the six-week window closed on 05-06, the two-week one long before


def test_a_gap_makes_an_issue_and_a_task_that_are_about_it_and_no_part_of_the_plan():
    made = change(SIX)
    assert {c.word for c in made} == {"create"}
    assert {(c.key.item, c.kind) for c in made} == {
        ("two-week", "missed"), ("six-week", "missed"), ("three-month", "to-book"),
    }  # fmt: skip
    for one in made:
        assert identity(one.after) is None
        assert one.after["identifier"][0]["value"] == one.after["id"]
        assert (
            "2026" not in one.after["text"]["div"] + one.after["code"]["text"]
        )  # a moved date leaves no old one behind
    task = next(c.after for c in made if c.part == TASK and c.key.item == "three-month")
    issue = next(c.after for c in made if c.part == ISSUE and c.key.item == "three-month")
    assert task["focus"]["reference"] == f"DetectedIssue/{issue['id']}"
    assert (issue["severity"], task["priority"]) == ("low", "routine")


def noted(as_of, held=(), **of_the_visit):
    """As `change`, where somebody noted something of the visit after three months."""
    key = next(i.key for i in PLAN.items if i.key.item == "three-month")
    known = State({key: ItemState(key, **of_the_visit)})
    return issues(PLAN, known, worklist([(PLAN, known)], (), as_of).rows, held, as_of)


def test_a_gap_that_is_put_off_is_not_told_as_gone():
    held = stand(change(SIX))
    for as_of in (SIX, date(2026, 6, 26)):  # to-book, then overdue
        put_off = noted(as_of, held, snoozed_until=date(2026, 6, 30))
        assert "three-month" not in {c.key.item for c in put_off}
    assert "three-month" not in {c.key.item for c in noted(SIX, snoozed_until=date(2026, 6, 30))}, "nor opened"
    back = noted(date(2026, 6, 30), held, snoozed_until=date(2026, 6, 30))
    assert {(c.kind, c.word) for c in back if c.key.item == "three-month"} == {
        ("to-book", "close"), ("overdue", "create"),
    }  # fmt: skip


def test_a_gap_that_was_put_off_and_then_mended_goes_at_once():
    day = date(2026, 4, 30)  # inside the window, still to book
    held = stand(change(day))
    came = [evidence("Appointment/1", "fulfilled", date(2026, 4, 29), link_to=link(PLAN, "six-week"))]
    put_off = State({SIX_WEEK: ItemState(SIX_WEEK, snoozed_until=date(2026, 5, 5))})
    over = issues(PLAN, put_off, worklist([(PLAN, put_off)], came, day).rows, held, day)
    assert [(c.part, c.word) for c in over if c.key == SIX_WEEK] == [(ISSUE, "close"), (TASK, "close")]


def test_a_row_that_a_person_closed_is_told_as_that_and_comes_back_as_a_new_round():
    held = stand(change(SIX))
    closed = noted(SIX, held, closed_because="will be seen elsewhere", closed_on=SIX)
    mine = [c for c in closed if c.key.item == "three-month"]
    assert {(c.part, c.word) for c in mine} == {(ISSUE, "close"), (TASK, "close")}
    issue = next(c.after for c in mine if c.part == ISSUE)
    assert issue["mitigation"][-1]["action"]["text"] == "A person closed the row of the gap"
    again = [c for c in change(SIX, stand(closed, held)) if c.key.item == "three-month"]
    assert {(c.round, c.word) for c in again} == {(2, "create")}


def test_the_same_day_again_changes_nothing_and_another_day_only_what_moved():
    held = stand(change(SIX))
    assert {c.word for c in change(SIX, held)} == {"unchanged"}
    later = change(date(2026, 5, 11), held)
    assert {c.word for c in later} == {"unchanged"}


def test_a_gap_that_goes_closes_both_and_one_that_comes_back_is_a_new_round():
    held = stand(change(SIX))
    booked = [evidence("Appointment/1", "booked", date(2026, 6, 18), link_to=link(PLAN, "three-month"))]
    closed = change(SIX, held, booked)
    assert [(c.part, c.word, c.after["status"]) for c in closed if c.key.item == "three-month"] == [
        (ISSUE, "close", "corrected"), (TASK, "close", "completed"),
    ]  # fmt: skip
    held = stand(closed, held)
    assert not [c for c in change(SIX, held, booked) if c.after is not None]
    back = change(SIX, held)
    assert {c for c in words(back) if c[0] == "three-month"} == {
        ("three-month", "to-book", ISSUE, 2, "create"), ("three-month", "to-book", TASK, 2, "create"),
    }  # fmt: skip


@pytest.mark.parametrize("status", ["amended", "corrected", "cancelled", "entered-in-error"])
def test_what_a_person_closed_is_not_opened_again(status):
    held = [(ref, {**r, "status": status} if r["resourceType"] == "DetectedIssue" else r)
            for ref, r in stand(change(SIX))]  # fmt: skip
    assert {c.word for c in change(SIX, held)} == {"keep"}


@pytest.mark.parametrize("status", ["amended", "corrected", "cancelled", "entered-in-error"])
def test_a_gap_that_a_person_closed_and_that_comes_back_once_it_was_gone_is_a_new_round(status):
    held = [(ref, {**r, "status": status} if r["resourceType"] == "DetectedIssue" else r)
            for ref, r in stand(change(SIX))]  # fmt: skip
    booked = [evidence("Appointment/1", "booked", date(2026, 6, 18), link_to=link(PLAN, "three-month"))]
    gone = change(SIX, held, booked)
    written = [c for c in gone if c.key.item == "three-month" and c.part == ISSUE]
    assert [(c.word, c.after["status"]) for c in written] == [("write", status)], "as the person left it"
    held = stand(gone, held)
    assert not [c for c in change(SIX, held, booked) if c.after is not None], "written once"
    assert ("three-month", "to-book", ISSUE, 2, "create") in words(change(SIX, held))


@pytest.mark.parametrize("status", ["accepted", "in-progress", "completed"])
def test_a_task_that_a_person_took_up_is_theirs(status):
    held = [(ref, {**r, "status": status} if r["resourceType"] == "Task" else r) for ref, r in stand(change(SIX))]
    assert {c.word for c in change(SIX, held) if c.part == TASK} == {"keep"}
    booked = [evidence("Appointment/1", "booked", date(2026, 6, 18), link_to=link(PLAN, "three-month"))]
    kept = [c for c in change(SIX, held, booked) if c.part == TASK and c.key.item == "three-month"]
    assert all(c.after is None for c in kept)


def test_a_graver_gap_of_the_same_kind_is_written():
    blank = [evidence("Appointment/1", "booked", date(2026, 4, 29), link_to=link(PLAN, "six-week"))]
    held = stand(change(date(2026, 4, 30), (), blank))
    graver = change(date(2026, 5, 10), held, blank)
    rows = [c for c in graver if c.key.item == "six-week" and c.kind == "unconfirmed"]
    assert [(c.part, c.word) for c in rows] == [(ISSUE, "write"), (TASK, "write")]
    assert (rows[0].after["severity"], rows[1].after["priority"]) == ("high", "urgent")


def test_every_word_for_a_gap_is_in_the_code_system():
    kinds = {entry(g, n).word for g, rows in table().items() if g not in SENTENCES for n in rows if entry(g, n).gap}
    assert kinds == set(CODES[GAP_KINDS][1])
