"""What the list asks to be recorded can be noted, also where another system closed the resource; what counts stands.

That nobody's work is written over, and that a row can be settled by what its next action says, needs no source. A Task
may go from failed to completed: FHIR R4 fixes no order of Task.status.
"""

from __future__ import annotations

from datetime import date

import pytest

from merge.small import BLOOD, HOLD, READY, VISIT
from waykeeper.exchange.noting import note
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import evidence, read, read_all
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import worklist

DAY = date(2026, 3, 9)


def reference(one, key, part):
    return read(plan_resources(*one))[1].items[key].references[part]


def recorded(one, key, part, **changes):
    """What another system makes of one resource of ours."""
    ref = reference(one, key, part)
    one[0].send("PUT", ref, one[0].read(ref) | changes)


def row(one, key, as_of=DAY):
    held = plan_resources(*one)
    plans = read_all(held)
    listed = worklist(plans, evidence(held, plans[0][0].zone), as_of).rows
    return next(r for r in listed if r.item == str(key))


def say(one, key, what, **told):
    return note(*one, str(key), what, by="RA", on=DAY, **told)


@pytest.mark.parametrize("changes", [
    {"status": "failed", "statusReason": {"text": "sample lost"}},
    {"status": "rejected"},
    {"status": "completed"},  # on no day, where the age counts
    {"status": "completed", "executionPeriod": {"end": "2026-01-02"}},  # too early for this surgery
    {"status": "completed", "executionPeriod": {"end": "2099-01-02"}},  # a day that has not come
])  # fmt: skip
def test_a_task_that_does_not_count_is_taken_in_hand_and_done(one, changes):
    recorded(one, BLOOD, "task", **changes)
    assert row(one, BLOOD).gap
    say(one, BLOOD, "owner", text="Dora Finch")
    assert row(one, BLOOD).owner == "Dora Finch"
    say(one, BLOOD, "done")
    assert (row(one, BLOOD).gap, row(one, BLOOD).verdict) == (False, "done-late")
    before = one[0].read(reference(one, BLOOD, "task"))["note"][-2]["text"]
    assert before.startswith(f"Recorded before: {changes['status']}")
    with pytest.raises(WaykeeperError) as stands:
        say(one, BLOOD, "done", text="once more")
    assert "is completed already" in stands.value.findings[0].details


def test_a_task_that_failed_is_closed_with_the_reason(one):
    recorded(one, BLOOD, "task", status="failed", executionPeriod={"end": "2026-03-05"})
    say(one, BLOOD, "closed", text="the surgeon does without it")
    closed = row(one, BLOOD)
    assert (closed.verdict, closed.closed, closed.to_do) == ("failed", True, False)
    assert not row(one, BLOOD, date(2026, 3, 6)).closed, "it was not closed yet"


def test_a_check_decided_against_is_decided_again(one):
    recorded(one, READY, "gate", status="rejected", statusReason={"text": "a cold"})
    assert (row(one, READY).verdict, "a cold" in row(one, READY).reason) == ("shut", True)
    say(one, READY, "released")
    assert row(one, READY).verdict == "released"


def test_a_prescriber_who_refused_to_answer_answers_after_all(one):
    recorded(one, HOLD, "confirm", status="rejected")
    say(one, HOLD, "answered", days=3)
    assert row(one, HOLD).verdict == "answered"


def test_a_visit_whose_request_only_says_that_it_was_kept_is_taken_in_hand(one):
    recorded(one, VISIT, "request", status="completed")
    late = date(2026, 4, 10)
    assert row(one, VISIT, late).verdict == "missed"
    say(one, VISIT, "owner", text="Dora Finch")
    note(*one, str(VISIT), "closed", by="RA", on=DAY, text="seen elsewhere")
    assert row(one, VISIT, late).owner == "Dora Finch"


# That a slip is told while it is made and not by the list of the next day: common practice, no source.


def test_a_visit_after_surgery_that_was_kept_before_it_is_told_as_a_slip(one):
    surgery = read(plan_resources(*one))[0].surgery_day
    slip = f"; this visit comes after surgery and {DAY} is before it: see whether a slip is in it"
    assert DAY < surgery == date(2026, 3, 18) and say(one, VISIT, "done").endswith(slip)
    assert row(one, VISIT).verdict == "needs-review"


def test_a_visit_that_was_kept_in_its_days_tells_of_no_slip(one):
    assert "slip" not in note(*one, str(VISIT), "done", by="RA", on=date(2026, 4, 1))


def test_what_was_done_too_early_says_from_when_it_counts(one):
    said = note(*one, str(BLOOD), "done", by="RA", on=date(2025, 3, 9))  # the year is a slip
    first = next(i for i in read(plan_resources(*one))[0].items if i.key == BLOOD).dates.valid_from
    assert f"; it counts from {first} on, so it stays on the list" in said and row(one, BLOOD).gap
    assert "it counts from" not in say(one, BLOOD, "done") and not row(one, BLOOD).gap


def test_to_put_off_what_is_done_is_never_as_it_was_noted_before(one):
    say(one, BLOOD, "done")
    for what in ("owner", "snoozed"):
        with pytest.raises(WaykeeperError, match=r"WKX240 .*is completed already"):
            say(one, BLOOD, what, **({"text": "Dora Finch"} if what == "owner" else {}))


def test_to_put_off_until_no_day_is_refused(one):
    with pytest.raises(WaykeeperError, match=r"WKX240 .*until which it is put off"):
        note(*one, str(BLOOD), "snoozed", by="RA", on=None)
