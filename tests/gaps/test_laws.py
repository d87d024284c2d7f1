"""The laws of planned against actual, over bookings of any kind on any day."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from gaps.messy import OTHER_TYPE, PLAN, appointments, bookings, days, law
from gaps.plans import VISITS, evidence, link
from waykeeper.gaps import worklist
from waykeeper.plan.model import State


def report(found, as_of):
    return worklist([(PLAN, State())], found, as_of)


def rows(listed):
    return {r.item: r for r in listed.rows if r.kind == "visit"}


def words(listed):
    """What must not depend on names or order: the verdicts and how sure they are."""
    return {i: (r.verdict, r.severity, r.certainty, r.evidence_day, r.by) for i, r in rows(listed).items()}


@law
@given(bookings(), days())
def test_every_item_has_one_verdict_and_every_appointment_one_place(found, as_of):
    listed = report(found, as_of)
    assert Counter(r.item for r in listed.rows) == Counter([str(i.key) for i in PLAN.items] + ["plan/plan"])
    assert Counter(p.reference for p in listed.appointments) == Counter(e.reference for e in found)
    used = [ref for r in listed.rows for ref in r.evidence]
    assert len(used) == len(set(used))
    assert sum(listed.counts.values()) == len(listed.rows)


@law
@given(bookings(), days(), st.randoms(use_true_random=False))
def test_order_of_the_input_changes_nothing(found, as_of, shuffler: random.Random):
    shuffled = list(found)
    shuffler.shuffle(shuffled)
    assert report(shuffled, as_of) == report(found, as_of)


@law
@given(bookings(), days(), st.permutations(range(7)))
def test_server_ids_change_nothing(found, as_of, numbers):
    new = {e.reference: f"{e.reference.partition('/')[0]}/{900 + n}" for n, e in zip(numbers, found, strict=False)}
    renamed = [replace(e, reference=new[e.reference], appointment=new.get(e.appointment, "")) for e in found]
    assert words(report(renamed, as_of)) == words(report(found, as_of))


@law
@given(bookings(), days(), days())
def test_an_unrelated_appointment_changes_nothing_else(found, as_of, day):
    other = evidence("Appointment/skin", "fulfilled", day, text="mole check", service_types=(OTHER_TYPE,))
    before, after = report(found, as_of), report([*found, other], as_of)
    assert after.rows == before.rows
    assert [p for p in after.appointments if p.reference != other.reference] == list(before.appointments)
    assert other.reference in {p.reference for p in after.unplanned}


@law
@given(bookings(), days(), st.sampled_from(sorted(VISITS)), st.integers(0, 120))
def test_a_linked_attendance_never_opens_a_gap(found, as_of, visit, offset):
    row = rows(report(found, as_of))[f"visit/{visit}"]
    day = row.window_start + timedelta(days=offset)
    came = evidence("Appointment/came", "fulfilled", day, link_to=link(PLAN, visit))
    later = max(as_of, day)
    assert not rows(report([*found, came], later))[f"visit/{visit}"].gap


@law
@given(bookings(), days())
def test_removing_a_guess_never_changes_a_verdict(found, as_of):
    listed = report(found, as_of)
    guesses = {p.reference for p in listed.appointments if p.place == "guess"}
    kept = [e for e in found if e.reference not in guesses]
    assert words(report(kept, as_of)) == words(listed)


@law
@given(bookings(), days(), st.integers(1, 400))
def test_missed_stays_missed_as_days_pass(found, as_of, later):
    before = rows(report(found, as_of))
    after = rows(report(found, as_of + timedelta(days=later)))
    assert all(after[i].verdict == "missed" for i, r in before.items() if r.verdict == "missed")


@law
@given(days(), st.integers(1, 400))
def test_a_visit_without_any_booking_only_gets_graver(as_of, later):
    before = rows(report([], as_of))
    after = rows(report([], as_of + timedelta(days=later)))
    assert all(after[i].severity >= r.severity for i, r in before.items())


@law
@given(bookings(), days())
def test_attended_needs_an_attendance(found, as_of):
    by_reference = {e.reference: e for e in found}
    for row in rows(report(found, as_of)).values():
        if row.verdict.startswith("attended"):
            proof = [by_reference[ref] for ref in row.evidence]
            assert row.certainty in ("linked", "recognised")
            assert any(p.status in ("fulfilled", "finished") and p.day and p.day <= as_of for p in proof)
            assert row.evidence_day is not None and row.evidence_day <= as_of


@law
@given(st.lists(appointments(0, linked=False), max_size=1), days())
def test_blank_and_proposed_are_never_attended(found, as_of):
    blanks = [replace(e, status=s, reference=f"{e.reference}-{s}", kind="appointment", links=(link(PLAN, v),))
              for e in found for s in ("booked", "proposed", "pending", "waitlist", "") for v in VISITS]  # fmt: skip
    unique = list({e.reference: e for e in blanks}.values())
    assert not any(r.verdict.startswith("attended") for r in report(unique, as_of).rows)


@law
@given(bookings(), days())
def test_the_list_is_in_the_order_of_the_contract(found, as_of):
    def key(row):
        left = (row.mend_by - as_of).days if row.mend_by else 10**6
        return (-row.severity, -row.harm, left < 0, abs(left), row.patient)

    keys = [key(r) for r in report(found, as_of).rows]
    assert keys == sorted(keys)
