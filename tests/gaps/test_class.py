"""An Appointment of several patients, a class: it is evidence for each, and what is recorded of one is nobody else's.

FHIR R4 Appointment.participant has a cardinality of 1..* and a status for each who takes part
(hl7.org/fhir/R4/appointment.html). That a class which took place does not prove who came: common practice, no source.
"""

from datetime import date, timedelta

import pytest

from gaps.plans import SURGERY, TYPE, coding, dates, item, plan
from waykeeper.fhir import evidence, read_all, write
from waykeeper.gaps import worklist
from waykeeper.pathway.model import Recognise

CLASS = date(2026, 3, 2)
WINDOW = (SURGERY - timedelta(days=28), SURGERY - timedelta(days=7))
AFTER = date(2026, 3, 6)
PEOPLE = ("1", "2", "3")
MRN = "https://alder-quay.example/patients"


def caseload(*died):
    """The stored plans of three people, who are to come to a class, and their Patients."""
    held = []
    for number in PEOPLE:
        known = Recognise((coding(TYPE),), (), ("joint class",))
        visit = item("visit", "joint-class", dates(CLASS, WINDOW), recognise=known)
        made = plan(visit, patient=number)
        held += [(f"{r['resourceType']}/{r['id']}", r) for r in write(made) if r["resourceType"] != "Appointment"]
        patient = {"resourceType": "Patient", "id": number, "identifier": [{"system": MRN, "value": number}]}
        held.append((f"Patient/{number}", patient | {"deceasedBoolean": number in died}))
    return held


def class_of(status, *people, day=CLASS, **said):
    """A class with these patients, each by reference, `said` by number with what she answered."""
    participants = [
        {"actor": {"reference": f"Patient/{number}"}, "status": said.get(f"of_{number}", "accepted")}
        for number in people
    ]
    system, _, code = TYPE.partition("|")
    participants.append({"actor": {"reference": "Practitioner/9"}, "status": "accepted"})
    return "Appointment/class", {
        "resourceType": "Appointment", "id": "class", "status": status, "description": "Joint class",
        "serviceType": [{"coding": [{"system": system, "code": code}]}],
        "start": f"{day}T14:00:00-06:00", "end": f"{day}T15:30:00-06:00", "participant": participants,
    }  # fmt: skip


def listed(*more, as_of=AFTER, died=()):
    """The worklist of the three with these resources beside their plans."""
    held = [*caseload(*died), *more]
    return worklist(read_all(held), evidence(held, "America/Chicago"), as_of)


def verdicts(found):
    """What is said of each person's class."""
    return {r.identifier.partition("|")[2]: r.verdict for r in found.rows if r.item == "visit/joint-class"}


def died(held):
    """Who is known to have died."""
    return [plan.patient.identifier.value for plan, state in read_all(held) if state.deceased]


def test_a_death_is_nobody_elses():
    assert died([*caseload("1"), class_of("booked", *PEOPLE)]) == ["1"]


def test_a_number_that_a_family_shares_makes_nobody_one_person():
    shared = {"system": "https://insurer.example/members", "value": "F-1"}
    held = caseload("1")
    for _, resource in held:
        if resource["resourceType"] == "Patient":
            resource["identifier"].append(shared)
    assert died(held) == ["1"]


def test_a_patient_who_stands_there_twice_is_one_by_the_number_that_plans_use():
    older = {"resourceType": "Patient", "id": "old", "identifier": [{"system": MRN, "value": "2"}]}
    both = older | {"identifier": [*older["identifier"], {"system": MRN, "value": "2b"}], "deceasedBoolean": True}
    plans = {p.patient.identifier.value: (p, state) for p, state in read_all([*caseload(), ("Patient/old", both)])}
    assert {number: state.deceased for number, (_, state) in plans.items()} == {"1": False, "2": True, "3": False}
    assert {number: p.patient.reference for number, (p, _) in plans.items()} == {n: f"Patient/{n}" for n in PEOPLE}


DEAD = {"resourceType": "Patient", "id": "bob", "identifier": [{"system": MRN, "value": "B"}], "deceasedBoolean": True}
INSURER = {"system": "https://insurer.example/members", "value": "F-1"}


@pytest.mark.parametrize(
    "subjects",
    [
        [{"reference": "Patient/bob", "identifier": {"system": MRN, "value": "2"}}],
        [{"reference": "Patient/2", "identifier": {"system": MRN, "value": "B"}}],
        [{"reference": f"Patient/{who}", "identifier": INSURER} for who in ("2", "bob")],
        [{"reference": f"Patient/{who}", "identifier": {"value": "1"}} for who in ("2", "bob")],
        [{"reference": "#pat", "identifier": {"system": MRN, "value": who}} for who in ("2", "B")],
    ],
)
def test_a_resource_that_names_two_people_makes_them_no_one_person(subjects):
    told = {"resourceType": "Communication", "status": "completed"}
    said = [(f"Communication/{n}", told | {"id": str(n), "subject": subject}) for n, subject in enumerate(subjects)]
    assert died([*caseload(), ("Patient/bob", DEAD), *said]) == []


def test_a_visit_whose_names_are_two_peoples_is_not_hers():
    bob = {key: value for key, value in DEAD.items() if key != "deceasedBoolean"}
    reference, booked = class_of("fulfilled", "2")
    booked["participant"][0]["actor"]["identifier"] = {"system": MRN, "value": "B"}
    assert verdicts(listed((reference, booked), ("Patient/bob", bob)))["2"] != "attended"
    assert verdicts(listed((reference, booked)))["2"] != "attended"


@pytest.mark.parametrize(
    "actor",
    [
        {"reference": "Patient/3/_history/1"},
        {"reference": "https://fhir.example/r4/Patient/3/_history/1"},
        {"identifier": {"system": MRN, "value": "3"}},
        {"reference": "Group/7"},
    ],
)
def test_a_class_is_one_however_its_members_are_named(actor):
    reference, booked = class_of("fulfilled", "1")
    booked["participant"].append({"actor": actor, "status": "accepted"})
    found = verdicts(listed((reference, booked)))
    assert found["1"] == "unconfirmed"
    assert "Group" in str(actor) or found["3"] == "unconfirmed"


def test_an_operation_of_one_proves_nothing_of_another():
    booked = class_of("booked", *PEOPLE)
    operated = {"resourceType": "Procedure", "status": "completed", "subject": {"reference": "Patient/1"}}
    held = [*caseload(), booked, ("Procedure/1", operated)]
    kept = {plan.patient.identifier.value: state for plan, state in read_all(held)}
    alone = {plan.patient.identifier.value: state for plan, state in read_all([*caseload(), ("Procedure/1", operated)])}
    assert kept == alone


def test_a_class_that_is_booked_is_booked_for_each():
    found = listed(class_of("booked", *PEOPLE), as_of=date(2026, 2, 25))
    assert verdicts(found) == dict.fromkeys(PEOPLE, "booked")
    assert [(p.place, p.reference) for p in found.appointments] == [("evidence", "Appointment/class")] * 3


@pytest.mark.parametrize("status", ["fulfilled", "arrived", "checked-in", "noshow"])
def test_that_a_class_took_place_says_of_nobody_that_she_came(status):
    assert verdicts(listed(class_of(status, *PEOPLE))) == dict.fromkeys(PEOPLE, "unconfirmed")


def test_an_encounter_of_her_own_says_that_she_came():
    came = {
        "resourceType": "Encounter", "id": "e", "status": "finished", "subject": {"reference": "Patient/2"},
        "appointment": [{"reference": "Appointment/class"}],
        "period": {"start": f"{CLASS}T14:00:00-06:00", "end": f"{CLASS}T15:30:00-06:00"},
    }  # fmt: skip
    found = verdicts(listed(class_of("fulfilled", *PEOPLE), ("Encounter/e", came)))
    assert found == {"1": "unconfirmed", "2": "attended", "3": "unconfirmed"}


def test_a_class_that_is_cancelled_or_declined_is_no_booking():
    assert set(verdicts(listed(class_of("cancelled", *PEOPLE), as_of=date(2026, 2, 25))).values()) == {"rebook"}
    declined = listed(class_of("booked", *PEOPLE, of_3="declined"), as_of=date(2026, 2, 25))
    assert verdicts(declined) == {"1": "booked", "2": "booked", "3": "rebook"}
    alone = listed(class_of("booked", "3", of_3="declined"), as_of=date(2026, 2, 25))
    assert verdicts(alone)["3"] == "rebook"
    came = listed(class_of("fulfilled", "3", of_3="declined"))  # she came after all: nobody else was there
    assert verdicts(came)["3"] == "attended"


def test_who_is_not_in_the_class_is_not_booked():
    assert verdicts(listed(class_of("booked", "1", "2"), as_of=date(2026, 2, 25)))["3"] != "booked"


def test_strangers_in_a_class_are_told_of_only_where_nobody_of_it_has_a_plan():
    some = listed(class_of("booked", "1", "8", "9"), as_of=date(2026, 2, 25))
    assert [(p.identifier, p.place) for p in some.appointments] == [(f"{MRN}|1", "evidence")]
    none = listed(class_of("booked", "7", "8", "9"), as_of=date(2026, 2, 25))
    assert [(p.reference, p.place) for p in none.appointments] == [("Appointment/class", "no plan")]


def test_one_patient_named_twice_comes_once():
    found = listed(class_of("booked", "1", "1"), as_of=date(2026, 2, 25))
    assert verdicts(found)["1"] == "booked"
    assert len(found.appointments) == 1
