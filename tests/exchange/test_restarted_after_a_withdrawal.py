"""The list asks for the restart of a pause, so it can be recorded: after a withdrawal, and of an answer that no plan
was made with."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from merge.small import HOLD, compiled
from waykeeper.exchange.moving import Mover
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import Why, push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import answers, bundle, read, read_all
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import worklist

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
BEFORE, AFTER = date(2026, 3, 10), date(2026, 3, 16)  # four days off before Wed 2026-03-18: last dose Fri 2026-03-13


def answered(one, *, made_again=True):
    server, identifier = one
    note(server, identifier, str(HOLD), "answered", by="Dr. Ines Tarrant", on=date(2026, 3, 1), days=4)
    if made_again:
        again(one)


def again(one):
    server, identifier = one
    told = answers(read(plan_resources(server, identifier))[1])
    return push(bundle(compiled(identifier, answers=told)), server, now=NOW)


def row(one, as_of=AFTER):
    rows = worklist(read_all(plan_resources(*one)), [], as_of).rows
    return next(r for r in rows if r.item == str(HOLD))


@pytest.mark.parametrize("made_again", [True, False])
@pytest.mark.parametrize("suspended", [True, False])
def test_what_the_list_asks_for_can_be_recorded(one, suspended, made_again):
    answered(one, made_again=made_again)
    withdraw(*one, "infection", suspended=suspended, now=NOW, today=BEFORE)
    assert (row(one).verdict, row(one).severity) == ("restart-due", 3)
    note(*one, str(HOLD), "restarted", by="Dr. Ines Tarrant", on=AFTER)
    assert (row(one).verdict, row(one).gap) == ("restarted", False)


@pytest.mark.parametrize("made_again", [True, False])
def test_a_restart_is_recorded_once(one, made_again):
    answered(one, made_again=made_again)
    withdraw(*one, "infection", now=NOW, today=BEFORE)
    note(*one, str(HOLD), "restarted", by="Dr. Ines Tarrant", on=AFTER)
    held = plan_resources(*one)
    assert "as it was noted before" in note(*one, str(HOLD), "restarted", by="Dr. Ines Tarrant", on=AFTER)
    with pytest.raises(WaykeeperError, match="completed already, on 2026-03-16"):
        note(*one, str(HOLD), "restarted", by="Dr. Ines Tarrant", on=date(2026, 3, 17))
    assert plan_resources(*one) == held
    assert not withdraw(*one, "infection", now=NOW, today=date(2026, 3, 18)).changes


@pytest.mark.parametrize("made_again", [True, False])
def test_not_taken_any_more_is_recorded_too(one, made_again):
    answered(one, made_again=made_again)
    withdraw(*one, "infection", now=NOW, today=BEFORE)
    note(*one, str(HOLD), "corrected", by="Dr. Ines Tarrant", on=AFTER, decision="already stopped")
    assert not row(one).gap


@pytest.mark.parametrize("made_again", [True, False])
def test_brought_back_for_another_day_it_is_asked_again(one, made_again):
    answered(one, made_again=made_again)
    withdraw(*one, "infection", suspended=True, now=NOW, today=BEFORE)
    note(*one, str(HOLD), "restarted", by="Dr. Ines Tarrant", on=AFTER)
    server, identifier = one
    mover = Mover(server, NOW, Why("move", "Ruth Alderman, RN", "healed"), AFTER)
    day = date(2026, 4, 15)
    mover.move(identifier, lambda _, state, __: compiled(identifier, day, answers=answers(state)), reinstate=True)
    assert row(one, date(2026, 4, 12)).verdict == "unanswered"


@pytest.mark.parametrize("made_again", [True, False])
def test_going_on_while_surgery_is_put_off_is_no_answer_for_its_next_day(one, made_again):
    answered(one, made_again=made_again)
    withdraw(*one, "infection", suspended=True, now=NOW, today=BEFORE)
    note(*one, str(HOLD), "corrected", by="Dr. Ines Tarrant", on=BEFORE, decision="continue")
    server, identifier = one
    mover = Mover(server, NOW, Why("move", "Ruth Alderman, RN", "healed"), AFTER)
    day = date(2026, 4, 15)
    mover.move(identifier, lambda _, state, __: compiled(identifier, day, answers=answers(state)), reinstate=True)
    rows = worklist(read_all(plan_resources(*one)), [], date(2026, 4, 12)).rows
    assert [(r.verdict, r.severity) for r in rows if r.item == str(HOLD)] == [("unanswered", 3)]


def test_a_plan_that_was_not_made_again_with_the_answer(one):
    """Its stop and its restart have no Tasks yet: the notes make them, and a plan made again finds them done."""
    answered(one, made_again=False)
    for _ in range(2):
        note(*one, str(HOLD), "stopped", by="Ruth Alderman, RN", on=date(2026, 3, 13))
    own = read(plan_resources(*one))[1].items[HOLD]
    assert (own.stopped_on, own.restarted_on) == (date(2026, 3, 13), None)
    later = date(2026, 3, 21)
    assert (row(one, later).verdict, row(one, later).gap) == ("restart-due", True)
    note(*one, str(HOLD), "restarted", by="Dr. Ines Tarrant", on=later)
    assert (row(one, later).verdict, row(one, later).gap) == ("restarted", False)
    assert not again(one).conflicts
    own = read(plan_resources(*one))[1].items[HOLD]
    assert (own.stopped_on, own.restarted_on) == (date(2026, 3, 13), later)
    assert again(one).changes == ()


def test_nothing_restarts_that_no_answer_paused(one):
    withdraw(*one, "infection", suspended=True, now=NOW, today=BEFORE)
    with pytest.raises(WaykeeperError):
        note(*one, str(HOLD), "restarted", by="Dr. Ines Tarrant", on=AFTER)


@pytest.mark.parametrize("made_again", [True, False])
@pytest.mark.parametrize("suspended", [True, False])
def test_a_stop_that_is_told_and_still_to_come_is_taken_back_before_it_comes(one, suspended, made_again):
    """Hazard of a cancelled surgery: a medicine stopped for nothing (common practice, no source)."""
    answered(one, made_again=made_again)
    told = withdraw(*one, "infection", suspended=suspended, now=NOW, today=BEFORE).text()
    assert "was to be stopped after 2026-03-13: call the patient before that" in told
    said = row(one, BEFORE)
    assert (said.verdict, said.severity, said.mend_by) == ("needs-review", 2, date(2026, 3, 13))
    assert "after Fri 2026-03-13" in said.reason
    note(*one, str(HOLD), "corrected", by="Dr. Ines Tarrant", on=BEFORE, decision="continue")
    assert {row(one, day).gap for day in (BEFORE, AFTER, date(2026, 3, 20))} == {False}
