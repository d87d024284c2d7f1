"""Late in a pathway nobody is promised a call about what did not happen."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from merge.small import VISIT, compiled, new_identifier
from waykeeper.plan.model import Dates, State
from waykeeper.report.selection import select
from waykeeper.timing.model import Anchor, Standing


def of_stitches(**anchor):
    """The small plan with a visit that counts from stitches left in, of the phase of its two-week visit."""
    made = compiled(new_identifier())
    items = tuple(replace(i, dates=Dates(awaited="stitches")) if i.key == VISIT else i for i in made.items)
    last = next(p.dates.last_day for p in made.phases if p.name == made.item(VISIT).phase)
    return replace(
        made, items=items, anchors=(*made.anchors, Anchor("stitches", None, Standing.AWAITED, **anchor))
    ), last


def place(plan, as_of, state=None):
    found = select(plan, state or State(), as_of=as_of, language="en")
    entry = next((e for e in found.entries if e.key == VISIT), None)
    return entry.place if entry else next(x.reason for x in found.left_out if x.key == VISIT)


def test_an_event_that_did_not_come_is_waited_for_to_the_end_of_its_phase():
    plan, last = of_stitches()
    assert place(plan, date(2026, 3, 1)) == place(plan, last) == "waiting"
    assert place(plan, last + timedelta(days=1)) == f"no stitches recorded by the end of its phase, {last}"


def test_what_is_sure_to_come_or_came_goes_on_waiting_for_its_date():
    plan, last = of_stitches(phrase="1 day after surgery")  # assumed, and could not be dated
    assert place(plan, last + timedelta(days=1)) == "waiting"
    plan, last = of_stitches()
    assert place(plan, last + timedelta(days=1), State(proven={"stitches": "Encounter/1"})) == "waiting"
