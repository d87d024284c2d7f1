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
from waykeeper.report.shown import is_over
from waykeeper.timing.model import Standing

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


def test_a_gate_whose_day_has_not_come_binds_nothing():
    late = [item("task", name, dates(date(2026, 3, 20))) for name in ("film", "brace")]
    gate = item("gate", "driving", dates(date(2026, 6, 1)), needs=tuple(one.key for one in late))
    found = rows(date(2026, 4, 10), of=plan(visit("two-week"), *late, gate))
    assert found["gate/driving"].verdict == "not-yet-due"
    assert [(found[str(one.key)].verdict, found[str(one.key)].together) for one in late] == [("overdue", "")] * 2


def test_a_decision_of_after_discharge_speaks_of_no_patient_who_is_not_ready():
    found = rows(BOOKED + timedelta(days=1))
    assert found[str(WOUND)].next_action == ("Get what is missing, then decide; until then it counts as not approved.")
    before = plan(item("gate", "ready", dates(date(2026, 3, 11)), needs=(Key("task", "absent"),)))
    row = next(r for r in worklist([(before, State())], (), date(2026, 3, 11)).rows if r.kind == "gate")
    assert "tell the surgeon today that the patient is not ready" in row.next_action


def visits(as_of: date, later: str, who: str = "surgeon", **more):
    of = plan(replace(visit("two-week"), **more), replace(visit("six-week"), who=who))
    found = [evidence("Appointment/2", later, date(2026, 4, 29), link_to=link(of, "six-week"))]
    return {r.item: r for r in worklist([(of, State())], found, as_of).rows}["visit/two-week"]


def test_a_missed_visit_says_that_the_patient_was_seen_since():
    """To book a two-week visit months later, beside visits that were kept, is nothing that anybody would do."""
    row = visits(date(2026, 5, 10), "fulfilled")
    assert (row.verdict, row.severity, row.gap) == ("missed", 3, True)
    assert row.reason.endswith("The patient was seen since: Six-week visit, Wed 2026-04-29.")
    assert row.next_action.startswith("Ask the surgeon whether anything of this visit is still to be done")


def test_of_a_visit_that_may_not_apply_it_is_asked_first_whether_it_does():
    row = visits(date(2026, 5, 10), "fulfilled", undecided=("latex",))
    assert (row.verdict, "seen since" in row.reason) == ("missed", False)


def test_of_several_later_visits_the_latest_is_told():
    """Our reading of verdicts.md 4 (one sentence of reason with the dates); no published source decides it."""
    of = plan(visit("two-week"), visit("three-month"), visit("six-week"))
    kept = {"six-week": date(2026, 4, 29), "three-month": date(2026, 6, 18)}
    found = [evidence(f"Appointment/{n}", "fulfilled", day, link_to=link(of, n)) for n, day in kept.items()]
    row = next(r for r in worklist([(of, State())], found, date(2026, 6, 26)).rows if r.item == "visit/two-week")
    assert row.reason.endswith("The patient was seen since: Three-month visit, Thu 2026-06-18.")


@pytest.mark.parametrize(("status", "who", "as_of"), [
    ("fulfilled", "therapist", date(2026, 5, 10)), ("noshow", "surgeon", date(2026, 5, 10)),
    ("booked", "surgeon", date(2026, 4, 20)),
])  # fmt: skip
def test_a_missed_visit_is_booked_again_where_nobody_of_it_has_seen_the_patient(status, who, as_of):
    row = visits(as_of, status, who)
    assert (row.verdict, "seen since" in row.reason) == ("missed", False)
    assert "book the first free slot" in row.next_action


@pytest.mark.parametrize(
    ("kind", "due", "served"),
    [("task", date(2026, 3, 11), True), ("gate", SURGERY, True), ("task", date(2026, 3, 19), False),
     ("restriction", date(2026, 3, 11), False), ("medicine", date(2026, 3, 11), False), ("task", None, False)],
)  # fmt: skip
def test_a_question_has_served_once_all_that_hangs_on_it_is_of_before_a_surgery_that_took_place(kind, due, served):
    hangs = item(kind, "alert", dates(due) if due else None)
    asks = item("question", "latex", dates(date(2026, 3, 10)), fact="latex", asks_for=(hangs.key,), harm=3)
    for made_plan, as_of, wanted in (
        (plan(asks, hangs), SURGERY, False),
        (plan(asks, hangs), SURGERY + timedelta(days=1), served),
        (plan(asks, hangs, standing=Standing.GIVEN), SURGERY + timedelta(days=1), False),  # nothing proves it
        (plan(replace(asks, asks_for=())), SURGERY + timedelta(days=1), False),
        (plan(replace(asks, asks_for=(hangs.key, Key("gate", "lost"))), hangs), SURGERY + timedelta(days=1), False),
    ):
        row = next(r for r in worklist([(made_plan, State())], (), as_of).rows if r.kind == "question")
        assert (row.verdict, row.severity, row.served) == ("overdue", 3, wanted)
        assert is_over(row, as_of) is wanted


def test_a_question_stands_with_what_it_decides():
    hangs = item("task", "alert", dates(date(2026, 3, 11)), undecided=("latex",), harm=3)
    apart = item("task", "apart", dates(date(2026, 3, 11)), harm=3)
    asks = item("question", "latex", dates(date(2026, 3, 10)), fact="latex", asks_for=(hangs.key,), harm=3)
    found = {r.item: r for r in worklist([(plan(hangs, apart, asks), State())], (), date(2026, 3, 12)).rows}
    assert found["question/latex"].together == found["task/alert"].together == "task/alert"
    assert found["task/apart"].together == ""
