"""What is noted of a visit's owner, snooze and closing: of which round it is, and what a later note does to it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from merge.small import BLOOD, VISIT, compiled
from waykeeper.exchange.noting import WHAT, note
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import bundle, evidence, read, read_all
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import TheatreCase, TheatreList, worklist

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY = date(2026, 3, 1)
BY = "Nurse Park"
WHY = "she does not want this date"


def stands(one):
    return read(plan_resources(*one))[1].items[VISIT]


def kept(one):
    state = stands(one)
    return state.owner, state.snoozed_until, state.closed_because


def listed(one, as_of):
    held = plan_resources(*one)
    plans = read_all(held)
    rows = worklist(plans, evidence(held, plans[0][0].zone), as_of).rows
    return next(row for row in rows if row.item == str(VISIT))


def in_hand(one):
    tasks = [(ref, r) for ref, r in plan_resources(*one) if r["resourceType"] == "Task"]
    return [(ref, r) for ref, r in tasks if r["code"].get("text") == "Have in hand"]


def missed(one):
    """The booked date is a no-show, and the next push proposes another: round 2 of the visit."""
    server, identifier = one
    for ref, resource in plan_resources(server, identifier):
        if resource["resourceType"] == "Appointment":
            times = {"start": "2026-03-01T09:00:00Z", "end": "2026-03-01T10:00:00Z"}
            server.send("PUT", ref, {**resource, "status": "noshow", **times})
    push(bundle(compiled(identifier)), server, now=NOW)
    assert stands(one).round == 2


def test_a_closing_of_the_date_that_was_missed_does_not_close_the_next(one):
    note(*one, str(VISIT), "closed", by=BY, on=DAY, text=WHY)
    assert kept(one) == ("", None, WHY) and listed(one, date(2026, 3, 25)).closed
    missed(one)
    row = listed(one, date(2026, 3, 25))
    assert kept(one) == ("", None, "") and (row.gap, row.closed, row.to_do) == (True, False, True)
    assert [t["output"][0]["valueString"] for _, t in in_hand(one)] == [WHY]  # what was said stays where it was said


def test_what_is_noted_of_the_next_date_stands_beside_the_earlier_one(one):
    note(*one, str(VISIT), "closed", by=BY, on=DAY, text=WHY)
    missed(one)
    note(*one, str(VISIT), "owner", by=BY, on=date(2026, 2, 28), text="Nurse Kim")  # noted later, of an earlier day
    assert kept(one) == ("Nurse Kim", None, "") and len(in_hand(one)) == 2
    note(*one, str(VISIT), "closed", by=BY, on=date(2026, 2, 27), text="seen elsewhere")
    assert kept(one) == ("Nurse Kim", None, "seen elsewhere") and len(in_hand(one)) == 2


def test_what_is_in_hand_of_the_earlier_date_is_over_when_the_next_begins(one):
    """Else it stands open in the list of somebody to whom nobody gives it any more."""
    note(*one, str(VISIT), "owner", by=BY, on=DAY, text="Nurse Lane")
    missed(one)
    ((_, task),) = in_hand(one)
    assert (task["status"], task["statusReason"]["text"]) == ("cancelled", "replaced by round 2")
    assert task["owner"] == {"display": "Nurse Lane"} and kept(one)[0] == ""
    note(*one, str(VISIT), "owner", by=BY, on=DAY, text="Nurse Kim")
    again = push(bundle(compiled(one[1])), one[0], now=NOW)
    assert again.changes == () and again.findings == ()
    assert kept(one)[0] == "Nurse Kim" and [t["status"] for _, t in in_hand(one)] == ["cancelled", "accepted"]


def test_what_another_system_took_up_is_theirs(one):
    note(*one, str(VISIT), "owner", by=BY, on=DAY, text="Nurse Lane")
    ((ref, task),) = in_hand(one)
    one[0].send("PUT", ref, {**task, "status": "in-progress"})
    missed(one)
    assert [t["status"] for _, t in in_hand(one)] == ["in-progress"]


def test_what_is_in_hand_of_an_item_that_leaves_the_plan_is_over(one):
    server, identifier = one
    note(*one, str(VISIT), "owner", by=BY, on=DAY, text="Nurse Lane")
    plan = compiled(identifier)
    left = [replace(i, needs=tuple(n for n in i.needs if n != VISIT)) for i in plan.items if i.key != VISIT]
    push(bundle(replace(plan, items=tuple(left))), server, now=NOW)
    assert [t["statusReason"]["text"] for _, t in in_hand(one)] == ["no longer in the plan"]


def test_a_closing_that_does_not_say_of_which_round_it_is_is_of_the_first(one):
    server, _ = one
    note(*one, str(VISIT), "closed", by=BY, on=DAY, text=WHY)
    ref, task = in_hand(one)[0]
    server.send("PUT", ref, {k: v for k, v in task.items() if k != "identifier"})
    assert kept(one)[2] == WHY
    missed(one)
    assert kept(one)[2] == ""


def test_a_closing_that_was_retracted_does_not_come_back_with_the_next_word(one):
    server, _ = one
    note(*one, str(VISIT), "owner", by=BY, on=DAY, text="Nurse Lane")
    note(*one, str(VISIT), "closed", by=BY, on=DAY, text=WHY)
    ref, task = in_hand(one)[0]
    server.send("PUT", ref, {**task, "status": "entered-in-error"})
    assert kept(one) == ("", None, "")
    said = note(*one, str(VISIT), "snoozed", by=BY, on=date(2026, 3, 20))
    assert kept(one) == ("", date(2026, 3, 20), "") and "had been closed" not in said
    (_, task), = in_hand(one)  # fmt: skip
    assert task["status"] == "on-hold" and WHY in [n["text"] for n in task["note"]]  # history, and no more than that


@pytest.mark.parametrize(
    ("what", "day", "text", "after"),
    [
        ("owner", DAY, "Nurse Kim", ("Nurse Kim", None, "")),
        ("snoozed", date(2026, 4, 1), "", ("", date(2026, 4, 1), "")),
    ],
)
def test_what_is_taken_up_or_put_off_after_it_was_closed_is_open_again_and_says_so(one, what, day, text, after):
    note(*one, str(VISIT), "closed", by=BY, on=DAY, text="seen elsewhere")
    said = note(*one, str(VISIT), what, by=BY, on=day, text=text)
    assert said.endswith("; it had been closed (seen elsewhere) and is open again")
    assert kept(one) == after and not listed(one, date(2026, 3, 25)).closed
    assert "seen elsewhere" in [n["text"] for n in in_hand(one)[0][1]["note"]]
    assert "had been closed" not in note(*one, str(VISIT), what, by=BY, on=day, text=text)


def test_the_own_task_of_an_item_that_was_closed_is_open_again_and_keeps_who_did_it(one):
    """A note of who shall do it would read as who did it."""
    note(*one, str(BLOOD), "closed", by=BY, on=DAY, text="done at home")
    said = note(*one, str(BLOOD), "owner", by=BY, on=DAY, text="K. Barlow")
    state = read(plan_resources(*one))[1].items[BLOOD]
    assert said.endswith("; it had been closed (done at home) and is open again")
    assert (state.closed_because, state.owner) == ("", "K. Barlow")
    task = one[0].read(state.references["task"])
    assert [n["text"] for n in task["note"]] == ["done at home"]


def test_who_put_it_off_and_who_gave_it_to_whom_is_noted_once(one):
    for _ in (1, 2):
        note(*one, str(VISIT), "owner", by=BY, on=DAY, text="Nurse Kim")
        note(*one, str(VISIT), "snoozed", by="R. Alder", on=date(2026, 4, 1), text="abroad")
    told = [(n["authorString"], n["text"]) for n in in_hand(one)[0][1]["note"]]
    assert told == [(BY, "Owner: Nurse Kim"), ("R. Alder", "Put off until 2026-04-01: abroad")]


def own_row(one, as_of, theatre=None):
    held = plan_resources(*one)
    plans = read_all(held)
    rows = worklist(plans, evidence(held, plans[0][0].zone), as_of, theatre=theatre).rows
    return next(row for row in rows if row.item == "plan/plan")


def elsewhere(one, day=None):
    """A theatre list that covers surgery on Wed 2026-03-18 and shows her on `day`, or not at all."""
    cases = (TheatreCase("c", (str(one[1]),), day),) if day else ()
    return TheatreList(cases, date(2026, 3, 9), date(2026, 3, 27))


def test_the_plan_as_a_whole_has_an_owner_and_is_put_off_until_surgery_at_the_latest(one):
    """One named owner for each open row, also for the one that asks whether she is on the theatre list."""
    note(*one, "plan", "owner", by=BY, on=DAY, text="Nurse Kim")
    note(*one, "plan/plan", "snoozed", by=BY, on=date(2026, 3, 12))
    row = own_row(one, date(2026, 3, 10), elsewhere(one))
    assert (row.verdict, row.gap, row.owner) == ("no-case", True, "Nurse Kim")
    assert (row.snoozed, row.snoozed_until, row.to_do) == (True, date(2026, 3, 12), False)
    assert own_row(one, date(2026, 3, 12), elsewhere(one)).to_do
    assert len(in_hand(one)) == 1
    assert "it stands on the list from 2026-03-18" in note(*one, "plan", "snoozed", by=BY, on=date(2026, 4, 1))
    assert own_row(one, date(2026, 3, 10), elsewhere(one)).snoozed_until == date(2026, 3, 18)


def test_another_day_of_surgery_is_never_put_off(one):
    said = note(*one, "plan", "snoozed", by=BY, on=date(2026, 3, 17))
    assert said.endswith("another day or side than the theatre list's stays on the list")
    row = own_row(one, date(2026, 3, 10), elsewhere(one, date(2026, 3, 20)))
    assert (row.verdict, row.severity, row.snoozed, row.to_do) == ("date-differs", 3, False, True)


@pytest.mark.parametrize("what", [word for word in WHAT if word not in ("owner", "snoozed", "completed")])
def test_nothing_else_is_noted_of_the_plan_as_a_whole(one, what):
    with pytest.raises(WaykeeperError, match="of it only owner, snoozed and completed fit"):
        note(*one, "plan", what, by=BY, on=DAY, text="yes")
    assert in_hand(one) == []


def test_a_push_keeps_who_has_the_plan_in_hand_and_its_end_ends_that(one):
    server, identifier = one
    note(*one, "plan", "owner", by=BY, on=DAY, text="Nurse Kim")
    push(bundle(compiled(identifier)), server, now=NOW)
    assert own_row(one, date(2026, 3, 10)).owner == "Nurse Kim"
    withdraw(server, identifier, "surgery cancelled", by=BY, now=NOW)
    assert [t["status"] for _, t in in_hand(one)] == ["cancelled"]
