"""Which visits a push takes as attended: what contradicts itself, and a call where she is to be seen, are not.

FHIR R4 app-4 and Encounter.appointment as in tests/gaps/test_bookings_that_contradict.py and
tests/gaps/test_encounters_of_bookings.py; the two rooms read the same record, so they must say the same.
"""

from datetime import date

import pytest

from merge.small import VISIT, instant
from merge.stories import words
from merge.worlds import Memory
from waykeeper.fhir import evidence, read_all
from waykeeper.gaps import worklist
from waykeeper.merge.attendance import attendance
from waykeeper.merge.held import holding

DAY = date(2026, 4, 1)
NUMBER = {"system": "https://b.example", "value": "77"}
WHY = {"text": "moved away"}
CALL = {"appointmentType": {"text": "Telephone visit"}}
VR = {"class": {"code": "VR"}}
OF_A = {"reference": "Appointment/A"}


def came(world, booked=None, *encounters):
    """Whether a push on 10 April takes the visit as attended, and whether the gap report of that day does."""
    appointment = {
        "resourceType": "Appointment", "status": "fulfilled", "start": instant(DAY), "identifier": [NUMBER],
        "basedOn": [{"reference": world.ref(VISIT, "request")}],
        "participant": [{"actor": {"reference": world.patient}, "status": "accepted"}],
    }  # fmt: skip
    reference = world.add(appointment | (booked or {}))
    for encounter in encounters:
        named = encounter.get("appointment", [OF_A])
        world.add({
            "resourceType": "Encounter", "subject": {"reference": world.patient}, "class": {"code": "AMB"},
            "period": {"start": instant(DAY)}, **encounter,
            "appointment": [{"reference": reference} if one == OF_A else one for one in named],
        })  # fmt: skip
    held = world.resources()
    plans = read_all(held)
    plan = plans[0][0]
    taken = attendance(holding(plan.episode, held), plan.zone, date(2026, 4, 10)).attended
    rows = worklist(plans, evidence(held, plan.zone), date(2026, 4, 10)).rows
    (word,) = [r.verdict for r in rows if r.item == str(VISIT)]
    return VISIT in taken, word == "attended"


@pytest.mark.parametrize(
    ("booked", "encounters", "attended"),
    [
        ({}, (), True),
        ({"cancelationReason": WHY}, (), False),
        ({"cancelationReason": WHY}, ({"status": "finished"},), True),
        (CALL, (), False),
        (CALL, ({"status": "finished"},), True),
        ({}, ({"status": "finished", **VR},), False),
        ({}, ({"status": "finished", **VR}, {"status": "finished"}), True),
        ({}, ({"status": "planned", **VR},), True),
        ({}, ({"status": "cancelled"},), False),
        ({}, ({"status": "entered-in-error"},), False),
        ({}, ({"status": "cancelled", "appointment": [{"identifier": NUMBER}]},), False),
        ({}, ({"status": "cancelled", "appointment": [{"reference": "Appointment/gone"}, OF_A]},), False),
        ({}, ({"status": "cancelled", "appointment": [{"reference": "Appointment/gone"}]},), True),
        ({}, ({"status": "planned"},), True),
    ],
)
def test_a_push_takes_as_attended_what_the_report_does(booked, encounters, attended):
    world = Memory()
    world.push()
    assert came(world, booked, *encounters) == (attended, attended)


@pytest.mark.parametrize("number", [{"system": "https://b.example/orders", "value": "5"}, {"value": "5"}])
def test_an_order_number_that_others_put_on_our_request_links_its_booking(number):
    """verdicts.md 1: linked = `basedOn` the request, our identifier or order number."""
    world = Memory()
    world.push()
    world.edit(VISIT, "request", identifier=[*world.at(VISIT, "request")["identifier"], number])
    assert came(world, {"basedOn": [{"identifier": number}]}) == (True, True)
    world.today = date(2026, 4, 10)
    assert words(world.push(), VISIT, "appointment") == ["withdraw"]
