"""The report against a caseload whose truth is planted; the benchmark prints it for 2,000 patients."""

from __future__ import annotations

import pytest

from gaps.caseload import AS_OF, CHANNELS, caseload, confusion
from waykeeper.gaps import worklist

UNLINKED = [c for c in CHANNELS if c not in ("linked", "bare")]


@pytest.fixture(scope="module", params=[1, 2])
def measured(request):
    planted = caseload(250, request.param)
    return planted, confusion(planted, worklist(planted.plans, planted.evidence, AS_OF))


def test_the_generator_repeats_itself_and_is_messy(measured):
    planted, _ = measured
    again = caseload(250, 1)
    assert caseload(250, 1).evidence == again.evidence
    stories = {t.story for t in planted.truth}
    assert {"kept", "kept late", "no show", "cancelled", "rebooked", "blank", "left behind", "twice"} <= stories
    assert {t.channel for t in planted.truth} == {*CHANNELS, "none"}


def test_linked_bookings_raise_no_false_gap(measured):
    assert measured[1].false_gaps["linked"] == []
    assert measured[1].false_gaps["none"] == []


def test_no_planted_gap_is_hidden_by_links_words_or_intervals(measured):
    _, found = measured
    assert found.missed_gaps["linked"] == []
    assert found.missed_gaps["own words or interval"] == []
    bare = [name for name in found.missed_gaps["nothing"] if ", bare)" not in name]
    assert bare == []


def test_not_kept_is_never_called_kept_on_links_words_or_intervals(measured):
    _, found = measured
    assert set(found.kept_falsely) <= {"type and day"}


def test_where_only_type_and_day_speak_the_rate_is_small(measured):
    """Printed by the benchmark; here only held from growing: 12,000 patients gave 0.65 % of such visits."""
    _, found = measured
    assert len(found.kept_falsely["type and day"]) <= 0.02 * found.visits["type and day"]


def test_unlinked_bookings_that_say_anything_raise_few_false_gaps(measured):
    """At most 1 % over thousands of patients (the benchmark measures it); of 250 patients some hundreds of visits."""
    _, found = measured
    wrong, visits = found.rate("false gap", UNLINKED)
    assert wrong <= 0.02 * visits


def test_unlinked_bookings_that_say_which_visit_raise_almost_no_false_gap(measured):
    _, found = measured
    wrong, visits = found.rate("false gap", ["type+interval", "words+interval"])
    assert wrong <= 0.01 * visits


def test_what_only_a_person_can_tell_is_shown_as_a_guess(measured):
    """A kept visit whose booking says nothing stays a gap, with the booking beside it as a question."""
    _, found = measured
    bare = [name for name in found.unexplained if ", bare)" in name and "kept late" not in name]
    assert bare == []
