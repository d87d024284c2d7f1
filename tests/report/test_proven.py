"""Bookings for the sheet come from the gap report's words, never from a guess."""

from __future__ import annotations

from dataclasses import replace

from report.caseload import AS_OF, evidence, plans, report
from report.test_sheet import Page
from waykeeper.gaps import worklist
from waykeeper.plan.model import Evidence, ItemState, Key, State
from waykeeper.report.proven import bookings_of
from waykeeper.report.sheet import sheet_html


def test_each_visit_gets_what_its_verdict_rests_on():
    made = plans()
    first = bookings_of(made[0], report().rows, evidence(made))
    assert {str(k): e.status for k, e in first.items()} == {"visit/two-week": "fulfilled"}
    second = bookings_of(made[1], report().rows, evidence(made))
    assert {str(k): (e.status, str(e.day)) for k, e in second.items()} == {
        "visit/two-week": ("fulfilled", "2026-03-11"),
        "visit/six-week": ("booked", "2026-04-08"),  # nobody recorded what became of it
        "visit/three-month": ("booked", "2026-06-30"),
    }


def test_attended_by_encounter_alone_is_off_the_sheet():
    made, key = plans()[0], Key("visit", "two-week")
    seen = [e for e in evidence(plans()) if e.reference.startswith("Appointment/AQ-0042-two-week")]
    booked = replace(seen[0], status="booked")
    came = Evidence("Encounter/1", "encounter", "finished", booked.patient, booked.day, appointment=booked.reference)
    facts = [booked, came]
    found = bookings_of(made, worklist([(made, State())], facts, AS_OF).rows, facts)
    assert found[key].status == "fulfilled"
    page = Page(sheet_html(made, State(), as_of=AS_OF, language="en", checked_against=None, bookings=found))
    assert str(key) not in page.items


def test_a_visit_whose_request_was_completed_with_the_booking_stays_on_the_sheet():
    """Attended needs an attendance (verdicts.md 5); schedulers complete a request with its booking (from memory)."""
    made, key = plans()[1], Key("visit", "three-month")
    booked = bookings_of(made, report().rows, evidence(plans()))
    state = State(items={key: ItemState(key, "completed", "done")})
    page = Page(sheet_html(made, state, as_of=AS_OF, language="en", checked_against=None, bookings=booked))
    assert booked[key].status == "booked" and str(key) in page.items


def test_a_guess_is_no_booking():
    made = plans()[4]
    guess = [e for e in evidence(plans()) if "dermatology" in e.text]
    found = bookings_of(made, worklist([(made, State())], guess, AS_OF).rows, guess)
    assert guess
    assert not found
