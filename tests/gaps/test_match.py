"""Matching: the score table, written a second time from the contract and tried by brute force."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given

from gaps.messy import PLAN, bookings, days, law
from gaps.plans import SPECIALTY, SURGERY, TYPE, ankle, dates, evidence, link, plan, visit
from waykeeper.gaps import match
from waykeeper.gaps.intervals import intervals, nearly, own_interval
from waykeeper.plan.model import ItemState, Key, State

OWN = {"two-week": 14, "six-week": 42, "three-month": 91.3, "six-month": 182.6, "twelve-month": 365.25}
SAID = {
    "6 week check": 42, "three month review": 91.3, "6 month": 182.6, "12 weeks": 84, "2 wk post op": 14,
    "annual review": 365.25, "6 week check, walk-in": 42,
}  # fmt: skip


def naive(item, parts, day) -> int:
    """The contract's sentence about the score, read literally for the texts of messy.TEXTS."""
    total, texts = 0, [p.text for p in parts]
    name = item.key.item
    types = [p.service_types for p in parts]
    specialties = [p.specialties for p in parts]
    total += 40 * any(TYPE in t for t in types)
    total += 30 * any(w in t for t in texts for w in item.recognise.words)
    said = [SAID[t] for t in texts if t in SAID]
    same = [d for d in said if abs(d - OWN[name]) < 0.5]
    total += 20 * bool(same)
    total += 10 * any(SPECIALTY in s for s in specialties)
    start, end = item.dates.window.start.day, item.dates.window.end.day
    if day is not None:
        outside = max((start - day).days, (day - end).days, 0)
        width = (end - start).days
        near = (15 if outside <= width else 0) if day > end else 10 if outside <= width // 2 else 0
        total += 20 if outside <= 1 else near
    total += 5 * any(p.minutes is not None and abs(p.minutes - 20) <= 15 for p in parts)
    total -= 60 * any(abs(d - OWN[name]) > 0.12 * max(d, OWN[name]) for d in said)
    types, specialties = {c for t in types for c in t}, {c for s in specialties for c in s}
    total -= 60 * bool((types and TYPE not in types) or (specialties and SPECIALTY not in specialties))
    total -= 30 * any(p.telehealth for p in parts)
    total -= 30 * any("walk-in" in t for t in texts)
    return total


def brute(fact):
    """Certainty, visit and candidates by trying every visit."""
    links = {link(PLAN, i.key.item): i.key.item for i in PLAN.items}
    pointed = {links[name] for p in fact.parts for name in p.links if name in links}
    if len(pointed) == 1:
        return "linked", pointed.pop(), set()
    if pointed:
        return "guessed", None, pointed
    points = {i.key.item: naive(i, fact.parts, fact.day) for i in PLAN.items}
    best = max(points.values())
    near = {name for name, p in points.items() if p > 0 and best - p < 15}
    if best <= 0:
        return "none", None, set()
    if best >= 60 and len(near) == 1:
        return "recognised", near.pop(), set()
    return "guessed", None, near


@law
@given(bookings(), days())
def test_equals_brute_force(found, as_of):
    for one in match([(PLAN, State())], found, as_of).rows:
        certainty, name, near = brute(one.fact)
        assert one.certainty == certainty, one
        assert (one.item.key.item if one.item else None) == name
        assert {c.key.item for c in one.candidates} == near


def certainty(one, of=PLAN, states=None):
    return match([(of, states or State())], [one], SURGERY).rows[0]


@pytest.mark.parametrize("name", [
    "ServiceRequest/77", "{system}|{request}", "ServiceRequest/{request}", "urn:uuid:{request}",
    "ServiceRequest?identifier={system}|{request}", "https://scheduler.example/orders|A-9",
])  # fmt: skip
def test_every_way_to_point_at_a_visit_links(name):
    key = Key("visit", "six-week")
    order = "https://scheduler.example/orders|A-9"
    own = ItemState(key, references={"request": "ServiceRequest/77"}, identifiers=(order,))
    uuid = PLAN.episode.uuid("visit", "six-week", "request")
    link_to = name.format(system="https://alder-quay.example/identifier/plan", request=uuid)
    one = certainty(evidence("Appointment/1", "booked", SURGERY, link_to=link_to), states=State({key: own}))
    assert (one.certainty, one.item.key) == ("linked", key)


def test_our_own_proposal_turned_into_the_booking_is_linked_in_any_round():
    key = Key("visit", "six-week")
    states = State({key: ItemState(key, round=3, references={"appointment": "Appointment/55"})})
    second = PLAN.episode.uuid("visit", "six-week", "appointment", "", 2)
    assert certainty(evidence("Appointment/55", "booked", SURGERY), states=states).item.key == key
    assert certainty(evidence(f"Appointment/{second}", "noshow", SURGERY), states=states).item.key == key
    fourth = PLAN.episode.uuid("visit", "six-week", "appointment", "", 4)
    assert certainty(evidence(f"Appointment/{fourth}", "noshow"), states=states).item is None


def test_two_plans_of_one_patient_share_nothing():
    """A second joint: the same visit in another episode ties, so the booking is a guess for both."""
    first, second = ankle(), ankle(number=2)
    target = visit("six-week").dates.target.day
    one = evidence("Appointment/1", "booked", target, text="6 week check", service_types=(TYPE,))
    tied = match([(first, State()), (second, State())], [one], SURGERY).rows[0]
    assert (tied.certainty, len(tied.candidates)) == ("guessed", 2)
    linked = evidence("Appointment/2", "booked", SURGERY, link_to=link(second, "six-week"))
    assert match([(first, State()), (second, State())], [linked], SURGERY).rows[0].item.episode.number == 2


def test_several_appointments_share_a_visit_and_none_is_used_twice():
    made = [evidence(f"Appointment/{n}", "booked", visit("six-week").dates.target.day, link_to=link(PLAN, "six-week"))
            for n in range(3)]  # fmt: skip
    found = match([(PLAN, State())], made, SURGERY)
    assert [m.item.key.item for m in found.rows] == ["six-week"] * 3


def test_practitioner_as_planned():
    key = Key("visit", "six-week")
    states = State({key: ItemState(key, owner="Practitioner/3")})
    with_him = evidence("Appointment/1", "booked", SURGERY, text="follow-up", practitioner=("Practitioner/3",))
    assert "practitioner +10" in certainty(with_him, states=states).reasons


@pytest.mark.parametrize(("text", "wanted"), [
    ("6 week check", {("day", 42)}), ("6wk", {("day", 42)}), ("six-week visit", {("day", 42)}),
    ("2 weeks and 3 months", {("day", 14), ("month", 3)}), ("one year", {("month", 12)}), ("annual", {("month", 12)}),
    ("room 6 weekend", set()), ("10:30 mobile", set()), ("4.5 months", set()), ("01/02 weeks", set()), ("", set()),
    ("twenty-four month", {("month", 24)}), ("0 days", set()),
    ("Control 6 semanas", {("day", 42)}), ("revisión a los tres meses", {("month", 3)}), ("12 MESES", {("month", 12)}),
    ("a los 10 di\u0301as", {("day", 10)}), ("control anual", {("month", 12)}), ("un año", {("month", 12)}),
    ("control de quince días", {("day", 15)}), ("control del tercer mes", {("month", 3)}),
    ("revisión de la sexta semana", {("day", 42)}), ("6.ª semana", {("day", 42)}), ("3er mes", {("month", 3)}),
    ("6th week visit", {("day", 42)}), ("first year check", {("month", 12)}), ("second visit", set()),
    ("tercera semana de mayo", set()), ("tercera semana del mes", set()), ("first week of June", set()),
    ("seis semanas, a las nueve y media", {("day", 42)}), ("control, a las nueve y media", set()),
    ("a las 2 y media", set()), ("2y", {("month", 24)}), ("six and twelve weeks", {("day", 42), ("day", 84)}),
    ("control a las 6 y 12 semanas", {("day", 42), ("day", 84)}),
    ("6 mesas", set()), ("once a week", set()), ("dos semanas y 3 meses", {("day", 14), ("month", 3)}),
])  # fmt: skip
def test_intervals_in_words(text, wanted):
    assert intervals(text) == frozenset(wanted)


@pytest.mark.parametrize(("text", "wanted"), [
    ("6  week check", {("day", 42)}), ("6\nweek", {("day", 42)}), ("6\u00a0week", {("day", 42)}),
    ("6\u2011week", {("day", 42)}), ("6 to 8 weeks", set()), ("6-8 weeks", set()), ("6\u20138 weeks", set()),
    ("de 6 a 8 semanas", set()), ("seis a ocho semanas", set()), ("a 6 semanas", {("day", 42)}),
    ("visit 2 - 6 week check", {("day", 42)}), ("6 week to 3 month", {("day", 42), ("month", 3)}),
    ("65 year old, 6 week check", {("day", 42)}), ("65-year-old", set()), ("45 años", set()), ("8 years old", set()),
    ("Review\u20136 week check", {("day", 42)}), ("Review \u2013six week", {("day", 42)}), ("18 yr old", set()),
    ("6\u2013week", {("day", 42)}), ("six\u2013eight weeks", set()), ("20 years", {("month", 240)}),
    ("45 años de edad, control 3 meses", {("month", 3)}), ("5 year", {("month", 60)}),
])  # fmt: skip
def test_a_range_and_an_age_are_no_interval_and_padding_hides_none(text, wanted):
    """`6 to 8 weeks` and `65 year old` named another interval (-60): a six-week visit that was kept was a gap."""
    assert intervals(text) == frozenset(wanted)


def test_another_interval_in_spanish_is_another_interval():
    """A booking of the six-week type that says `control 3 meses` kept the six-week visit, and its gap was gone."""
    kind = TYPE
    for text, name in (("control 3 meses", "three-month"), ("control 6 semanas", "six-week"), ("control", "six-week")):
        found = certainty(evidence("Appointment/1", "fulfilled", date(2026, 4, 29), text=text, service_types=(kind,)))
        assert found.item is not None and found.item.key.item == name


def test_own_interval_is_of_visits_after_an_event_only():
    assert own_interval("6 weeks after surgery") == ("day", 42)
    assert own_interval("3 weeks before surgery") is None
    assert own_interval("later of 2 weeks after surgery and discharge") is None
    assert nearly(("day", 84), ("month", 3))
    assert not nearly(("day", 42), ("month", 3))


def test_a_plan_without_visits_matches_nothing():
    one = certainty(evidence("Appointment/1", "booked", SURGERY, text="6 week check"), of=plan())
    assert (one.certainty, one.item) == ("none", None)


def test_words_match_whole_words_only():
    assert "words +30" in certainty(evidence("A/1", "booked", text="Wound-check, nurse")).reasons
    assert not re.search("words", " ".join(certainty(evidence("A/1", "booked", text="unwound checklist")).reasons))


def test_a_kind_of_appointment_is_no_other_service():
    """FOLLOWUP says how it was booked (HL7 table 0276), not by which service."""
    kind = "http://terminology.hl7.org/CodeSystem/v2-0276|FOLLOWUP"
    target = visit("six-week").dates.target.day
    booked = evidence("A/1", "booked", target, text="6 week, wound check", service_types=(kind,))
    assert not any("another service" in r for r in certainty(booked).reasons)
    typed = replace(booked, service_types=(kind, TYPE), text="6 week")
    assert certainty(typed).certainty == "recognised"


@pytest.mark.parametrize(("day", "reason"), [
    ("2026-04-15", "day before the window +10"), ("2026-04-14", ""), ("2026-04-21", "day beside the window +20"),
    ("2026-05-06", "day inside the window +20"), ("2026-05-07", "day beside the window +20"),
    ("2026-05-08", "day after the window +15"), ("2026-05-20", "day after the window +15"), ("2026-05-21", ""),
])  # fmt: skip
def test_near_is_half_the_width_before_the_window_and_its_width_after_it(day, reason):
    one = certainty(evidence("A/1", "booked", date.fromisoformat(day), text="6 week"))
    assert next((r for r in one.reasons if r.startswith("day")), "") == reason


@pytest.mark.parametrize(("minutes", "certainty_is"), [(20, "recognised"), (None, "guessed")])
def test_fifteen_better_is_enough_and_ten_is_not(minutes, certainty_is):
    """65 against 50 with the duration, 60 against 50 without it."""
    mine = visit("six-week")
    after = dates(None, (date(2026, 4, 25), date(2026, 5, 5)))
    other = replace(mine, key=Key("visit", "other"), minutes=90, phrase="", dates=after)
    booked = evidence("A/1", "booked", date(2026, 4, 23), service_types=(TYPE,), minutes=minutes)
    assert certainty(booked, of=plan(mine, other)).certainty == certainty_is


LATE = visit("six-week").dates.window.end.day + timedelta(days=5)


@pytest.mark.parametrize(("minutes", "certainty_is"), [(20, "recognised"), (None, "guessed")])
def test_a_few_days_late_needs_more_than_the_type(minutes, certainty_is):
    """55 against 40 without the duration: the day after the window alone does not close a gap."""
    came = evidence("A/1", "fulfilled", LATE, service_types=(TYPE,), minutes=minutes)
    assert certainty(came).certainty == certainty_is


@pytest.mark.parametrize(("text", "kind"), [
    ("cast tight, walk-in", ""), ("walk in", ""), ("URGENT review", ""), ("unscheduled visit", ""), ("", "WALKIN"),
    ("", "EMERGENCY"),
])  # fmt: skip
def test_who_came_out_of_turn_is_only_guessed(text, kind):
    """A walk-in may have been for anything (codes: HL7 v2 table 0276): a person is asked, the gap stays open."""
    day = visit("six-week").dates.target.day
    types = (TYPE, f"http://terminology.hl7.org/CodeSystem/v2-0276|{kind}") if kind else (TYPE,)
    came = certainty(evidence("A/1", "fulfilled", day, text=text, service_types=types, minutes=20))
    assert came.certainty == "guessed"
    assert "out of turn -30" in came.reasons
    assert visit("six-week").key in [ref.key for ref in came.candidates]


def test_an_out_of_turn_visit_that_is_linked_counts():
    day = visit("six-week").dates.target.day
    assert certainty(evidence("A/1", "fulfilled", day, text="walk-in", link_to=link(PLAN, "six-week"))).score == 0
    assert certainty(evidence("A/1", "fulfilled", day, text="walk-in", link_to=link(PLAN, "six-week"))).item
