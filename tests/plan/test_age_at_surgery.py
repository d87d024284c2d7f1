"""How old may a thing be on the day of surgery? Every rule of the library, at its boundary, when surgery moves.

Sources: history and physical at most 30 days before surgery, 42 CFR 482.22(c)(5) (hospitals; ambulatory centres set
their own interval, 42 CFR 416.52): 2026-02-16 is exactly 30 days before 2026-03-18 and counts, 2026-02-15 is 31 and
does not. Outcome forms 90 to 0 days before surgery: CMS hip and knee measure, CBE 3639 (ankle by analogy). All other
ages, laboratory 30 days, clearance 90 days, heart tracing three months, MRSA swab six weeks, are clinic settings. Five
days of ointment and washes are begun again whole after a move (common practice, no source; the course itself:
SHEA/IDSA/APIC 2022).
"""

from datetime import date, time, timedelta
from functools import cache

import pytest

from waykeeper.fhir import is_ours, write
from waykeeper.merge import decide
from waykeeper.pathway.library import folder
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Answers, Key
from waykeeper.plan.validity import still_valid
from waykeeper.record import read
from waykeeper.timing.model import Moment
from waykeeper.verbs import inputs

OLD, NEW = date(2026, 3, 18), date(2026, 4, 8)
# item -> the first day that counts for a surgery on 2026-04-08
FIRST = {
    "task/history-and-physical": date(2026, 3, 9),  # 30 days, 42 CFR 482.22(c)(5)
    "task/blood-tests": date(2026, 3, 9),  # 30 days, clinic setting
    "task/clearance-received": date(2026, 1, 8),  # 90 days, clinic setting
    "task/heart-clearance": date(2026, 1, 8),  # 90 days, clinic setting
    "task/heart-tracing": date(2026, 1, 8),  # three months, clinic setting
    "task/mrsa-screen": date(2026, 2, 25),  # six weeks, clinic setting
    "task/outcome-before": date(2026, 1, 8),  # 90 days, CBE 3639 (ankle by analogy)
}
# done for the old date is done again, however recently
AGAIN = ("authorisation", "equipment", "antiseptic-wash", "soap-given", "delay-screen", "theatre-list", "driver")


@cache
def clinic(overlay=""):
    known = inputs.clinic_of("clinic-demo")
    from dataclasses import replace

    return replace(known, overlays=(overlay,)) if overlay else known


@cache
def plan(surgery, overlay=""):
    pathway, _ = inputs.pathway_of("total-ankle-replacement", clinic(overlay), "clinic-demo")
    held = inputs.held_of([str(folder("sandbox_bundles") / "demo-left" / "record.bundle.json")])
    moment = Moment(surgery, time(7, 30), "America/Chicago")
    return compile_plan(
        pathway, clinic(overlay), read(held, is_ours), {"surgery": moment}, side="left", answers=Answers()
    )


def test_the_list_above_is_whole():
    assert {str(i.key) for i in plan(NEW).items if i.valid_for} == set(FIRST)


@pytest.mark.parametrize("item", FIRST)
def test_the_first_day_that_counts_and_the_day_before_it(item):
    found = next(i for i in plan(NEW).items if str(i.key) == item)
    assert found.dates.valid_from == FIRST[item]
    assert still_valid(found, FIRST[item], moved=True)
    assert not still_valid(found, FIRST[item] - timedelta(1), moved=True)
    assert not still_valid(found, None, moved=True)  # nobody wrote down when


def test_history_and_physical_at_its_published_boundary():
    found = next(i for i in plan(OLD).items if str(i.key) == "task/history-and-physical")
    assert still_valid(found, date(2026, 2, 16), moved=True)
    assert not still_valid(found, date(2026, 2, 15), moved=True)


@pytest.mark.parametrize("name", AGAIN)
def test_done_for_the_old_date_is_done_again(name):
    found = [i for i in plan(NEW).items if i.key.item == name]
    assert found and all(i.redo == "on move" for i in found)
    assert not any(still_valid(i, NEW - timedelta(1), moved=True) for i in found)
    assert all(still_valid(i, NEW - timedelta(1), moved=False) for i in found)


def test_two_days_of_ointment_done_and_surgery_moves_by_a_week():
    """Fri 2026-03-20 to Tue 2026-03-24 before Wed 2026-03-25, all ten doses: never "go on at dose five"."""
    old, new = plan(OLD, "five-day-decolonisation"), plan(date(2026, 3, 25), "five-day-decolonisation")
    done = ("day-5-morning", "day-5-evening", "day-4-morning", "day-4-evening")
    held = [(f"{r['resourceType']}/{r['id']}", _done(r, done)) for r in write(old)]
    decided = decide(new, held, today=date(2026, 3, 14))
    doses = {i.key: i for i in new.items if i.key.item == "nasal-ointment"}
    assert len(doses) == 10
    days = {i.dates.at.day for i in doses.values()}
    assert days == {date(2026, 3, d) for d in (20, 21, 22, 23, 24)}
    begun = {d.item for d in decided.rows if d.word == "create" and d.round == 2}
    assert begun >= {str(k) for k in doses if k.occurrence in done}
    redated = {d.item for d in decided.rows if d.word == "write"}
    assert redated >= {str(k) for k in doses if k.occurrence not in done}


def _done(resource, occurrences):
    from waykeeper.fhir import identity

    said = identity(resource)
    if said is None or said.key.item != "nasal-ointment" or said.key.occurrence not in occurrences:
        return resource
    day = date(2026, 3, 13) if "5" in said.key.occurrence else date(2026, 3, 14)
    assert said.key == Key("task", "nasal-ointment", said.key.occurrence)
    return {**resource, "status": "completed", "executionPeriod": {"end": day.isoformat()}}
