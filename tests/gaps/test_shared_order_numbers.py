"""An order number that several planned visits carry links a booking to none of them (FHIR R4, ServiceRequest)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from gaps.messy import PLAN
from gaps.plans import evidence, link
from waykeeper.gaps import match
from waykeeper.plan.model import ItemState, Key, State

GROUP = "https://orders.example/group|G-1"
THREE = ("six-week", "three-month", "six-month")


def state(*names):
    keys = [Key("visit", name) for name in names]
    return State(items={key: ItemState(key, identifiers=(GROUP,)) for key in keys})


def matched(found, *names):
    (one,) = match([(PLAN, state(*names))], [found], date(2026, 7, 1)).rows
    return one


BOOKED = evidence("Appointment/1", "booked", date(2026, 7, 20), link_to=GROUP, text="Follow-up")


@pytest.mark.parametrize("names", [THREE, THREE[::-1], THREE[:2]])
def test_a_shared_number_is_a_guess_with_every_visit_shown(names):
    one = matched(BOOKED, *names)
    assert (one.item, one.certainty, one.note) == (None, "guessed", "two_links")
    assert {ref.key.item for ref in one.candidates} == set(names)


def test_a_number_of_one_visit_links():
    one = matched(BOOKED, "six-week")
    assert one.certainty == "linked" and one.item.key.item == "six-week"


def test_another_name_of_the_booking_says_which_of_them():
    both = replace(BOOKED, links=(GROUP, link(PLAN, "three-month")))
    one = matched(both, *THREE)
    assert one.certainty == "linked" and one.item.key.item == "three-month"
