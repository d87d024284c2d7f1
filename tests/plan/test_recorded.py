"""What of everything recorded changes a plan. language.md: `release of GATE` and `completion of ITEM` are events that
give a date once they happened; fhir.md 4: of a Task `failed` and `rejected` are over, and only `completed` is done."""

from datetime import date

import pytest

from merge.small import compiled, new_identifier
from waykeeper.plan.answers import recorded
from waykeeper.plan.model import Answers, ItemState, Key, State

DAY = date(2026, 4, 29)
GATE, TASK, ASKED = Key("gate", "film-check"), Key("task", "call"), Key("question", "latex")


def told(key, **fields):
    """What one item's state gives."""
    return recorded(State({key: ItemState(key, **fields)}))


@pytest.mark.parametrize(("status", "day", "counts"), [
    ("completed", DAY, True), ("completed", None, False), ("failed", DAY, False), ("rejected", DAY, False),
])  # fmt: skip
def test_dates_count_from_what_was_done_and_from_nothing_else(status, day, counts):
    given = {"status": status, "cls": "done", "done_on": day}
    assert told(GATE, **given).released == ({"film-check": DAY} if counts else {})
    assert told(TASK, **given).completed == ({TASK: DAY} if counts else {})


def test_what_was_entered_in_error_answers_nothing():
    assert told(ASKED, status="completed", cls="done", fact_answer="no").facts == {"latex": "no"}
    assert told(ASKED, status="entered-in-error", cls="void", fact_answer="no").facts == {}


# language.md, phrases: `release of GATE` and `completion of ITEM` are events; an awaited one gives no date.
@pytest.mark.parametrize(("event", "answers", "day"), [
    ("release of film-check", {"released": {"film-check": DAY}}, date(2026, 5, 13)),
    ("release of film-check", {"released": {"ready": DAY}, "completed": {Key("task", "film-check"): DAY}}, None),
    ("release of film-check", {}, None),
    ("completion of call", {"completed": {TASK: DAY}}, date(2026, 5, 13)),
    ("completion of call", {"completed": {TASK: DAY, Key("task", "call", "b"): date(2026, 5, 1)}}, date(2026, 5, 15)),
    ("completion of call", {"released": {"call": DAY}}, None),
])  # fmt: skip
def test_a_date_counts_from_the_day_on_which_its_event_happened(event, answers, day):
    changed = (("by: 12 weeks after surgery", f"by: 2 weeks after {event}"),)
    goal = compiled(new_identifier(), changes=changed, answers=Answers(**answers)).item(Key("goal", "walking"))
    assert goal.dates.last_day == day and goal.dates.awaited == (None if day else event)
