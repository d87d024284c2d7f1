"""A later calendar of a plan counts more than each earlier one, whatever has changed since (RFC 5545 3.8.7.4).

A program that holds an event takes the one with the greater SEQUENCE: a hold that was cancelled by the calendar after a
move and answered anew must come through.
"""

from datetime import UTC, datetime, timedelta

import pytest
from icalendar import Calendar

import waykeeper
from waykeeper.pathway.shelf import folder
from waykeeper.sandbox import running
from waykeeper.verbs import printing
from waykeeper.verbs.moving import move

HOME = folder("sandbox_bundles") / "demo-left"
WHO = "https://alder-quay.example/mrn|AQ-1001"
HOLD = "hold/https://alder-quay.example/record-rows|AQ-1001-medicines-1"
BEGIN = datetime(2026, 2, 20, 15, tzinfo=UTC)


@pytest.fixture
def url():
    with running() as base:
        waykeeper.push(str(HOME / "plan.bundle.json"), to=base)
        yield base


@pytest.fixture
def clock(monkeypatch):
    """The moment at which calendars are made; each look at it is a minute later."""
    seen = [BEGIN]

    class Clock(datetime):
        @classmethod
        def now(cls, tz=None):
            seen.append(seen[-1] + timedelta(minutes=1))
            return seen[-1]

    monkeypatch.setattr(printing, "datetime", Clock)
    return seen


def events(ics):
    return {str(e["UID"]): e for e in Calendar.from_ical(ics).walk("VEVENT")}


def sequence(found):
    (number,) = {int(e["SEQUENCE"]) for e in found.values()}
    return number


def test_each_calendar_counts_more_than_the_one_before(url, clock):
    first, second = (events(waykeeper.calendar(from_=url, patient=WHO)) for _ in range(2))
    assert sequence(second) > sequence(first) > 0
    assert sequence(first) < 2**31
    assert {e["STATUS"] for e in first.values()} <= {"CONFIRMED", "TENTATIVE"}  # nobody holds an earlier one


def test_what_a_move_cancelled_and_somebody_answered_anew_comes_through(url, clock):
    told = {"to": url, "patient": WHO, "by": "Dr Reed", "days": 2}
    waykeeper.note(HOLD, "answered", on="2026-02-20", **told)
    made = move(
        url, patient=WHO, surgery="2026-04-08T07:30", record=str(HOME / "record.bundle.json"), by="R. Alder",
        reason="theatre closed", as_of="2026-02-24",
    )  # fmt: skip
    moved = events(printing.calendar_of(made))
    waykeeper.note(HOLD, "answered", on="2026-02-26", **told)
    later = events(waykeeper.calendar(from_=url, patient=WHO))
    assert sequence(later) > sequence(moved)
    again = [uid for uid, e in moved.items() if e["STATUS"] == "CANCELLED" and later[uid]["STATUS"] != "CANCELLED"]
    assert [str(later[uid]["SUMMARY"]) for uid in again if "apixaban" in str(later[uid]["SUMMARY"])]


def test_an_answer_given_since_is_in_the_later_calendar(url, clock):
    first = events(waykeeper.calendar(from_=url, patient=WHO))
    waykeeper.note(HOLD, "answered", to=url, patient=WHO, by="Dr Reed", on="2026-02-20", days=2)
    second = events(waykeeper.calendar(from_=url, patient=WHO))
    assert second.keys() > first.keys()
    assert any("apixaban" in str(e["SUMMARY"]) and e["STATUS"] == "CONFIRMED" for e in second.values())


def test_of_a_plan_that_was_withdrawn_only_what_still_rings_is_taken_away(url, clock):
    waykeeper.note(HOLD, "answered", to=url, patient=WHO, by="Dr Reed", on="2026-02-20", days=2)
    held = events(waykeeper.calendar(from_=url, patient=WHO))
    waykeeper.withdraw(from_=url, patient=WHO, reason="another treatment", by="R. Alder")
    with pytest.raises(waykeeper.WaykeeperError) as refused:
        waykeeper.calendar(from_=url, patient=WHO)
    assert [f.code for f in refused.value.findings] == ["WKO002"]
    last = events(waykeeper.calendar(from_=url, patient=WHO, take_back=True))
    assert last.keys() >= held.keys()
    assert sequence(last) > sequence(held)
    assert {str(e["STATUS"]) for e in last.values()} == {"CANCELLED"}
    assert not [e for e in last.values() if e.walk("VALARM")]
    assert "Wintergale" not in str(last) and "apixaban" not in str(last)
