"""An Encounter speaks to every Appointment that it names, however it names it.

FHIR R4 Encounter.appointment, 0..*: "The appointment that scheduled this encounter" (hl7.org/fhir/R4/encounter.html);
Reference.identifier: "Logical reference, when literal reference is not known" (hl7.org/fhir/R4/references.html);
encounter-status `entered-in-error`: "This instance should not have been part of this patient's medical record".
That an Encounter which did not take place contradicts a fulfilled Appointment: common practice, no source.
"""

from datetime import date, datetime

import pytest

from gaps.exported import appointment, encounter, exported, gaps, row
from waykeeper.gaps.says import facts
from waykeeper.plan.model import Evidence

ORDER = {"system": "https://b.example", "value": "77"}
NAMED = {
    "reference": [{"reference": "Appointment/a"}],
    "version": [{"reference": "Appointment/a/_history/2"}],
    "address": [{"reference": "https://h.example/fhir/Appointment/a"}],
    "identifier": [{"type": "Appointment", "identifier": ORDER}],
    "conditional": [{"reference": "Appointment?identifier=https://b.example|77"}],
    "second": [{"reference": "Appointment/gone"}, {"reference": "Appointment/a"}],
    "second of two": [{"reference": "Appointment/b"}, {"reference": "Appointment/a"}],
    "contained": [{"reference": "#a"}],
}


@pytest.mark.parametrize("how", NAMED)
@pytest.mark.parametrize(
    ("status", "verdict", "says"),
    [
        ("cancelled", "needs-review", "its encounter is cancelled"),
        ("entered-in-error", "needs-review", "its encounter is entered in error"),
        ("finished", "attended", "Wed 2026-04-29"),
        ("planned", "attended", "Wed 2026-04-29"),
    ],
)
def test_what_an_encounter_says_of_a_fulfilled_booking(how, status, verdict, says, tmp_path):
    booked = appointment("a", identifier=[ORDER])
    other = appointment("b", description="Blood test", serviceType=[{"text": "Blood test"}])
    came = encounter("e", status, appointment=NAMED[how])
    came["contained"] = [{"resourceType": "Appointment", "id": "a", "identifier": [ORDER]}]
    found = gaps(tmp_path, [*exported(), booked, other, came])
    visit = row(found, "visit/six-week")
    assert visit["verdict"] == verdict and says in visit["reason"], visit["reason"]
    references = [one["reference"] for one in found["appointments"]]
    assert len(references) == len(set(references)) and "Encounter/e" in references


def evidence(reference, kind, status, day, **more):
    start = datetime.fromisoformat(f"{day}T14:30:00+00:00")
    return Evidence(reference, kind, status, ("Patient/1",), date.fromisoformat(day), start, **more)


def said(*found):
    """What each Appointment says on 10 May, by its reference."""
    told = facts(found, date(2026, 5, 10))
    assert sorted(p.reference for f in told for p in f.parts) == sorted(e.reference for e in found)
    return {f.head.reference: f.says for f in told}


def test_a_visit_that_took_place_proves_the_second_booking_on_its_own_day_only():
    one = evidence("Appointment/1", "appointment", "booked", "2026-04-29")
    same = evidence("Appointment/2", "appointment", "booked", "2026-04-29")
    later = evidence("Appointment/3", "appointment", "booked", "2026-05-08")
    names = {"appointment": "Appointment/1", "appointments": ("Appointment/2", "Appointment/3")}
    came = evidence("Encounter/1", "encounter", "finished", "2026-04-29", **names)
    assert said(one, same, later, came) == {
        "Appointment/1": "attended", "Appointment/2": "attended", "Appointment/3": "unconfirmed",
    }  # fmt: skip


def test_of_two_bookings_with_one_number_the_one_of_its_day_is_meant():
    old = evidence("Appointment/1", "appointment", "booked", "2026-04-22", identifiers=("s|7",))
    new = evidence("Appointment/2", "appointment", "booked", "2026-04-29", identifiers=("s|7",))
    came = evidence("Encounter/1", "encounter", "finished", "2026-04-29", appointment="s|7")
    assert said(old, new, came) == {"Appointment/1": "unconfirmed", "Appointment/2": "attended"}


def test_a_number_of_another_patients_booking_joins_nothing():
    hers = evidence("Appointment/1", "appointment", "fulfilled", "2026-04-29", identifiers=("s|7",))
    his = Evidence("Encounter/1", "encounter", "cancelled", ("Patient/2",), appointment="s|7")
    assert said(hers, his) == {"Appointment/1": "attended", "Encounter/1": "nothing"}


# verdicts.md 1: an Encounter that is arrived or in progress after the as-of day needs a review, never attended.
@pytest.mark.parametrize("status", ["arrived", "in-progress"])
@pytest.mark.parametrize(("day", "word"), [
    ("2026-05-20", ("contradictory", "started_in_future")), ("2026-05-10", ("attended", "")),
    ("2026-04-29", ("attended", "")),
])  # fmt: skip
def test_an_open_encounter_beside_a_fulfilled_booking(status, day, word):
    booked = evidence("Appointment/a", "appointment", "fulfilled", "2026-04-29")
    came = evidence("Encounter/e", "encounter", status, day, appointment="Appointment/a")
    (fact,) = facts([booked, came], date(2026, 5, 10))
    assert (fact.says, fact.why) == word
