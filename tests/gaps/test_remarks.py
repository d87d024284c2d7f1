"""What a scheduler remarks to colleagues, or tells the patient to do, says nothing certain of what a visit is.

FHIR R4 (hl7.org/fhir/R4/appointment.html): description "as would be shown on a subject line in a meeting request, or
appointment list"; comment "Additional text to aid in facilitating the appointment"; patientInstruction "patient facing
information about the Appointment (e.g. please bring your referral or fast from 8pm night before)".
"""

from dataclasses import replace
from datetime import date

import pytest

from gaps.exported import appointment, exported, gaps, row
from gaps.plans import TYPE, ankle, evidence
from waykeeper.gaps import match
from waykeeper.plan.model import State

BLOOD = {"description": "Blood test", "serviceType": []}


def placed(folder, booked):
    """The verdict of the six-week visit, its questions, and where the booking stands with which words."""
    found = gaps(folder, [*exported(), booked])
    visit = row(found, "visit/six-week")
    (place,) = [a for a in found["appointments"] if a["reference"] == "Appointment/a"]
    return visit["verdict"], visit["questions"], place


@pytest.mark.parametrize(
    ("said", "certainty"),
    [
        ({"description": "6 week check", "serviceType": []}, "recognised"),
        ({**BLOOD, "reasonCode": [{"text": "6 week check"}]}, "recognised"),
        ({**BLOOD, "comment": "to be done before 6 week check"}, "guessed"),
        ({**BLOOD, "patientInstruction": "Please come before your 6 week check."}, "guessed"),  # by its day alone
        (BLOOD, "guessed"),
    ],
)
def test_only_what_names_the_service_recognises(said, certainty, tmp_path):
    verdict, questions, place = placed(tmp_path, appointment("a", **said))
    assert verdict == ("attended" if certainty == "recognised" else "missed")
    assert place["certainty"] == certainty and "visit/six-week" in place["items"]
    assert place["place"] == ("evidence" if certainty == "recognised" else "guess")
    assert bool(questions) == (certainty == "guessed")


def test_a_comment_far_from_the_window_is_a_guess_that_shows_its_words(tmp_path):
    booked = appointment("a", day="2026-05-30", **BLOOD, comment="instead of 6 week check")
    found = gaps(tmp_path, [*exported(), booked], "2026-06-10")
    visit = row(found, "visit/six-week")
    assert visit["verdict"] == "missed"
    assert visit["questions"] == [
        "Appointment/a (Blood test | instead of 6 week check, Sat 2026-05-30) may be this visit (50 points): is it?"
    ]


@pytest.mark.parametrize(
    ("remarks", "certainty", "items"),
    [
        ("", "recognised", ["six-week"]),
        ("called 2 days ago, comes by bus", "recognised", ["six-week"]),
        ("6 week check", "recognised", ["six-week"]),
        ("is the 3 month check, moved forward", "guessed", ["six-week", "three-month"]),
    ],
)
def test_where_a_comment_names_another_visit_a_person_says_which(remarks, certainty, items):
    """One type of all visits, on a day of the six-week visit: type and day recognise it."""
    booked = replace(evidence("Appointment/a", "fulfilled", date(2026, 4, 29), service_types=(TYPE,)), remarks=remarks)
    (found,) = match([(ankle(), State())], [booked], date(2026, 5, 10)).rows
    meant = [found.item] if found.item else found.candidates
    assert (found.certainty, [ref.key.item for ref in meant]) == (certainty, items)


def test_an_instruction_about_the_next_visit_takes_nothing_away(tmp_path):
    booked = appointment("a", patientInstruction="Please also book your 3 month check.")
    assert placed(tmp_path, booked)[0] == "attended"


def test_urgent_in_a_comment_still_weighs_against_it(tmp_path):
    verdict, _, place = placed(tmp_path, appointment("a", description="Follow-up", comment="walk-in, wound opened"))
    assert (verdict, place["certainty"]) == ("missed", "guessed")
