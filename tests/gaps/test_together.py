"""Decisions that wait for a booked visit, and rows that one step settles: neither cries wolf, and none goes silent.

That a wound is looked at on the day of its visit, and not before because a date passed: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from gaps.plans import SURGERY, TYPE, dates, evidence, item, link, plan, visit
from waykeeper.gaps import worklist
from waykeeper.plan.model import ItemState, Key, State

DUE = date(2026, 4, 1)  # two weeks after surgery; the window of the two-week visit is 03-28 to 04-05
BOOKED = date(2026, 4, 3)
WOUND, RESTART, SPLINT = Key("gate", "wound-check"), Key("gate", "biologic-restart"), Key("restriction", "splint")
FILMS = Key("task", "films")
FREE = SURGERY + timedelta(days=7)
NOTHING = State()


def made(due: date = DUE, *more: Key):
    """A two-week visit, the decision that waits for it, one that waits for that, and a restriction that it ends."""
    return plan(
        visit("two-week"),
        item("gate", "wound-check", dates(due), harm=3, needs=(Key("visit", "two-week"), *more)),
        item("gate", "biologic-restart", dates(due), harm=3, needs=(WOUND,)),
        item("restriction", "splint", dates(SURGERY, earliest=FREE), until="release of wound-check"),
        item("task", "films", dates(date(2026, 3, 27)), harm=1),
        item("task", "alone", dates(date(2026, 3, 27)), harm=1),
    )  # fmt: skip


def rows(as_of: date, status: str = "booked", day: date | None = BOOKED, *, of=None, linked=True, state=NOTHING):
    of = of or made()
    found = evidence(
        "Appointment/1", status, day, link_to=link(of, "two-week") if linked else None,
        **({} if linked else {"service_types": (TYPE,), "text": "wound check"}),
    )  # fmt: skip
    return {r.item: r for r in worklist([(of, state)], [found], as_of).rows}


def words(found):
    return [found[str(key)].verdict for key in (WOUND, RESTART)]


@pytest.mark.parametrize("linked", [True, False])
@pytest.mark.parametrize("late", [0, 1, 2])
def test_a_decision_waits_for_the_day_of_a_visit_that_is_booked_in_its_window(late, linked):
    found = rows(DUE + timedelta(days=late), linked=linked)
    assert found["visit/two-week"].verdict == "booked"
    assert words(found) == ["not-yet-due", "not-yet-due"]
    assert not found[str(WOUND)].gap
    assert "is booked for Fri 2026-04-03" in found[str(WOUND)].reason
    assert "Wound check" in found[str(WOUND)].reason


def test_a_booking_whose_day_is_over_holds_no_decision_back():
    found = rows(BOOKED + timedelta(days=1))
    assert found["visit/two-week"].verdict == "unconfirmed"
    assert words(found) == ["shut", "shut"]
    assert {found[str(key)].severity for key in (WOUND, RESTART)} == {3}


@pytest.mark.parametrize(
    ("status", "day"),
    [("noshow", date(2026, 3, 30)), ("booked", date(2026, 4, 9)), ("proposed", BOOKED), ("booked", None)],
)  # fmt: skip
def test_only_a_live_booking_inside_the_window_holds_a_decision_back(status, day):
    assert words(rows(DUE, status, day)) == ["shut", "shut"]


def test_what_else_is_missing_is_asked_for_on_the_day():
    assert words(rows(DUE, of=made(DUE, FILMS))) == ["shut", "shut"]
    assert words(rows(DUE, state=State(conflicts=("A change",)))) == ["shut", "shut"]


def test_what_a_decision_before_surgery_lacks_is_asked_for_on_its_day_though_it_is_booked():
    """There the date of surgery can still be moved."""
    of = plan(
        visit("two-week", surgery=date(2026, 3, 1)),  # window 03-11 to 03-19
        item("gate", "ready", dates(date(2026, 3, 16)), harm=3, needs=(Key("visit", "two-week"),)),
    )
    found = rows(date(2026, 3, 16), day=date(2026, 3, 17), of=of)
    assert (found["visit/two-week"].verdict, found["gate/ready"].verdict) == ("booked", "shut")


@pytest.mark.parametrize(("as_of", "decision"), [(date(2026, 3, 27), "Wed 2026-04-01"), (DUE, "Fri 2026-04-03")])
def test_a_restriction_that_may_end_names_the_day_of_its_decision(as_of, decision):
    row = rows(as_of)[str(SPLINT)]
    assert (row.verdict, row.severity, row.gap) == ("release-due", 1, True)
    assert f"planned for {decision}" in row.reason
    assert "It holds until the surgeon decides" in row.next_action
    assert row.by is not None and row.by > as_of


def test_a_restriction_whose_decision_is_late_is_asked_about_today():
    row = rows(BOOKED + timedelta(days=1))[str(SPLINT)]
    assert (row.verdict, row.by) == ("release-due", BOOKED + timedelta(days=1))
    assert row.next_action.startswith("Ask the patient how it stands")


def test_what_one_visit_settles_belongs_together_and_what_stands_alone_does_not():
    found = rows(BOOKED + timedelta(days=1), of=made(DUE, FILMS))
    joined = {name for name, row in found.items() if row.together}
    assert joined == {"visit/two-week", str(WOUND), str(RESTART), str(SPLINT), str(FILMS)}
    assert len({found[name].together for name in joined}) == 1
    assert found["task/alone"].gap and found["task/alone"].together == ""


def test_two_decisions_about_one_kept_visit_belong_together_though_the_visit_is_no_gap():
    of = made()
    of = replace(of, items=(*of.items, item("gate", "driving", dates(DUE), needs=(Key("visit", "two-week"),))))
    found = rows(date(2026, 4, 10), "fulfilled", BOOKED, of=of, linked=False)
    assert (found["visit/two-week"].verdict, found["visit/two-week"].together) == ("attended", "")
    assert found["gate/driving"].together == found[str(WOUND)].together != ""


def test_a_gate_that_is_approved_binds_nothing():
    own = ItemState(WOUND, "completed", "done", done_on=BOOKED)
    found = rows(BOOKED + timedelta(days=1), of=made(DUE, FILMS), state=State({WOUND: own}))
    assert not any(row.together for row in found.values())
