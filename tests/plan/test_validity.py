"""Whether what was done still counts. language.md: what is done before the first day of `valid_for` does not count, and
`redo: on move` is done again; inclusive days. merge.md: a new round where it must be renewed. That an unrecorded day
proves nothing after a move is the safer reading."""

from datetime import date

import pytest

from waykeeper.plan.model import Item, Key
from waykeeper.plan.validity import by_a_past_surgery, done_counts, still_released, still_valid
from waykeeper.timing.model import Dates, Moment, Window

BEFORE, FIRST, AFTER = date(2026, 3, 3), date(2026, 3, 4), date(2026, 3, 5)
AGED = Item(Key("task", "ecg"), "ECG", valid_for="2 weeks before surgery", dates=Dates(valid_from=FIRST))
AWAITED = Item(Key("task", "ecg"), "ECG", valid_for="2 weeks before surgery")  # its first day is not known yet
PLAIN = Item(Key("task", "call"), "Call")
WASH = Item(Key("task", "wash"), "Wash", redo="on move", dates=Dates(valid_from=FIRST))


@pytest.mark.parametrize(("item", "done_on", "today", "counts"), [
    (AGED, BEFORE, AFTER, False), (AGED, FIRST, AFTER, True), (AGED, FIRST, FIRST, True), (AGED, AFTER, FIRST, False),
    (AGED, None, AFTER, False), (AGED, FIRST, None, True), (AWAITED, None, AFTER, False), (AWAITED, FIRST, AFTER, True),
    (PLAIN, None, AFTER, True), (PLAIN, AFTER, FIRST, False), (None, None, None, True), (None, AFTER, FIRST, False),
])  # fmt: skip
def test_what_was_done_counts_from_its_first_day_up_to_today(item, done_on, today, counts):
    assert done_counts(item, done_on, today) is counts


@pytest.mark.parametrize(("item", "done_on", "moved", "valid"), [
    (AGED, BEFORE, False, False), (AGED, FIRST, False, True), (AGED, FIRST, True, True), (AGED, BEFORE, True, False),
    (AGED, None, False, True), (AGED, None, True, False), (PLAIN, None, True, True),
    (WASH, AFTER, True, False), (WASH, FIRST, False, True), (WASH, BEFORE, False, False),
])  # fmt: skip
def test_what_was_done_is_renewed_where_it_must_be(item, done_on, moved, valid):
    assert still_valid(item, done_on, moved=moved) is valid


@pytest.mark.parametrize("dates", [Dates(at=Moment(FIRST)), Dates(window=Window(Moment(FIRST), Moment(AFTER)))])
def test_a_release_counts_from_the_first_day_of_its_restriction(dates):
    item = Item(Key("restriction", "no-weight"), "No weight", dates=dates)
    assert not still_released(item, BEFORE, moved=False)
    assert still_released(item, FIRST, moved=True)
    assert still_released(item, None, moved=False) and not still_released(item, None, moved=True)


def test_a_release_of_a_restriction_without_days_holds_until_it_moves():
    item = Item(Key("restriction", "no-weight"), "No weight")
    assert still_released(item, FIRST, moved=False) and not still_released(item, FIRST, moved=True)


@pytest.mark.parametrize(("day", "today", "past"), [
    (FIRST, FIRST, False), (FIRST, AFTER, True), (AFTER, date(2026, 3, 6), False), (None, AFTER, False),
])  # fmt: skip
def test_too_late_is_what_was_due_by_a_surgery_that_is_over(day, today, past):
    assert by_a_past_surgery(day, FIRST, today) is past
