"""The operation itself as bookings and orders tell it, beside the plan: the words of the theatre list."""

from __future__ import annotations

import json
from datetime import date
from functools import cache
from pathlib import Path

import pytest

import waykeeper
from gaps.plans import ankle
from waykeeper.exchange import Server
from waykeeper.fhir import evidence_of, identity, read_all
from waykeeper.gaps import TheatreCase, TheatreList, worklist
from waykeeper.pathway.shelf import folder
from waykeeper.plan.model import State
from waykeeper.record import resources_of
from waykeeper.sandbox import running
from waykeeper.timing.model import Standing
from yaml_text import plain

CASES = plain((Path(__file__).parents[1] / "cases" / "verdicts" / "operations.yaml").read_text("utf-8"))
PCS = "http://www.cms.gov/Medicare/Coding/ICD10"  # ICD-10-PCS in FHIR: HL7 terminology, NamingSystem icd10PCS
VISITS = "https://alder-quay.example/codes/visit-type"
WHO = {"identifier": {"system": "https://alder-quay.example/mrn", "value": "AQ-1001"}, "type": "Patient"}
SURGERY, BEFORE = date(2026, 3, 18), "2026-03-10"


@cache
def plans():
    return read_all(planned())


def planned():
    bundle = json.loads((folder("sandbox_bundles") / "demo-left" / "plan.bundle.json").read_text("utf-8"))
    return resources_of(bundle)


def coded(codes):
    return {"coding": [{"system": PCS if c.startswith("0SR") else VISITS, "code": c} for c in codes.split()]}


def resource(number, when, codes, status):
    kind, _, said = status.rpartition(" ")
    if kind:
        when = {"occurrenceDateTime": when} if when else {}
        return {"resourceType": "ServiceRequest", "id": str(number), "status": said, "intent": "order",
                "subject": WHO, "code": coded(codes), **when}  # fmt: skip
    more = ({"start": when, "end": when} if when else {}) | ({"description": "Ankle class"} if codes == "CLASS" else {})
    return {"resourceType": "Appointment", "id": str(number), "status": said, "serviceType": [coded(codes)], **more,
            "participant": [{"actor": WHO, "status": "accepted"}]}  # fmt: skip


def report(*more, as_of=BEFORE, theatre=None, of=None):
    held = [*planned(), *((f"{r['resourceType']}/{r['id']}", r) for r in more)]
    of = of or plans()
    return worklist(of, evidence_of(held, of), date.fromisoformat(as_of), theatre=theatre)


def plan_row(listed):
    return next(r for r in listed.rows if r.item == "plan/plan")


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["name"])
def test_what_is_told_of_the_operation_beside_the_plan(case):
    listed = report(*(resource(n, *told) for n, told in enumerate(case["told"])), as_of=case.get("as_of", BEFORE))
    own = plan_row(listed)
    assert own.verdict == case["verdict"], own.reason
    if "severity" in case:
        assert (own.severity, own.gap) == (int(case["severity"]), True)
    assert case.get("says", "") in own.reason
    assert case.get("also", "") in " ".join(own.questions)
    assert bool(own.questions) == ("also" in case)
    strangers = [r.reason for r in listed.rows if r.verdict == "no-plan"]
    assert len(strangers) == ("no_plan" in case) and case.get("no_plan", "") in "".join(strangers)
    booked = [n for n, (_, codes, status) in enumerate(case["told"]) if " " not in status]
    placed = [p for p in listed.appointments if p.reference in {f"Appointment/{n}" for n in booked}]
    assert len(placed) == len(booked)  # each has one place, orders have none
    assert not {p.place for p in placed} - {"unplanned", "evidence", "guess"}


def test_it_says_how_it_is_known_and_which_it_is():
    own = plan_row(report(resource(1, "2026-03-25T12:30:00Z", "0SRG0JZ", "booked")))
    assert (own.certainty, own.evidence) == ("recognised", ("Appointment/1",))
    assert "have the booking corrected" in own.next_action


@pytest.mark.parametrize(("services", "verdict"), [("", "date-differs"), ("SOMETHING-ELSE", "current")])
def test_a_booking_that_names_no_service_is_what_it_was_ordered_as(services, verdict):
    """FHIR R4, Appointment.basedOn: the service request that the appointment is allocated to assess. A visit before
    the operation may hang on its order too, and says what it is."""
    order = resource(1, "", "0SRG0JZ", "order active")
    booked = resource(2, "2026-03-25T12:30:00Z", services, "booked") | {"basedOn": [{"reference": "ServiceRequest/1"}]}
    own = plan_row(report(order, booked))
    assert own.verdict == verdict
    if verdict != "current":
        assert own.certainty == "linked"


def test_a_booking_that_is_linked_to_a_visit_is_of_the_visit_whatever_it_names():
    """verdicts.md 1: linked = `basedOn` the visit's ServiceRequest; it counts for that visit, and is no other day."""
    named = [(ref, identity(r)) for ref, r in planned()]
    request = next(ref for ref, said in named if said and (str(said.key), said.part) == ("visit/two-week", "request"))
    booked = resource(1, "2026-04-01T15:00:00Z", "0SRG0JZ", "booked") | {"basedOn": [{"reference": request}]}
    listed = report(booked)
    assert plan_row(listed).verdict == "current"
    assert next(r for r in listed.rows if r.item == "visit/two-week").evidence == ("Appointment/1",)


def test_an_order_whose_booking_stands_says_no_day_of_its_own():
    """FHIR R4, ServiceRequest.occurrence: when it should occur; Appointment.basedOn says which order it answers. What
    was asked for was a false alarm for ever; a booking for another day is told, and once it is called off the order
    speaks again."""
    order = resource(1, "2026-03-25", "0SRG0JZ", "order active")

    def booked(day, status="booked"):
        made = resource(2, f"{day}T12:30:00Z", "0SRG0JZ", status)
        return made | {"basedOn": [{"reference": "ServiceRequest/1"}]}

    assert plan_row(report(order, booked("2026-03-18"))).verdict == "current"
    moved = plan_row(report(order, booked("2026-03-26")))
    assert (moved.verdict, moved.evidence) == ("date-differs", ("Appointment/2",)) and not moved.questions
    assert plan_row(report(order, booked("2026-03-18", "cancelled"))).verdict == "date-differs"
    unlinked = plan_row(report(order, resource(2, "2026-03-18T12:30:00Z", "0SRG0JZ", "booked")))
    assert (unlinked.verdict, unlinked.severity) == ("needs-review", 2)


def test_the_site_of_an_order_names_the_side():
    order = resource(1, "2026-03-18", "0SRG0JZ", "order active") | {"bodySite": [{"text": "Right ankle"}]}
    assert "Right ankle" in plan_row(report(order)).reason


def test_a_span_of_days_is_no_day():
    span = {"occurrencePeriod": {"start": "2026-03-20", "end": "2026-04-20"}}
    assert plan_row(report(resource(1, "", "0SRG0JZ", "order active") | span)).verdict == "current"


def listed_on(day, **more):
    who = ("https://alder-quay.example/mrn|AQ-1001",)
    return TheatreList((TheatreCase("line 2", who, day, **more),), date(2026, 3, 9), date(2026, 3, 31))


def test_beside_a_theatre_list():
    booked = resource(1, "2026-03-25T12:30:00Z", "0SRG0JZ", "booked")
    agrees = plan_row(report(booked, theatre=listed_on(SURGERY)))
    assert (agrees.verdict, agrees.evidence) == ("date-differs", ("Appointment/1",))
    same = report(booked, theatre=listed_on(date(2026, 3, 25)))
    assert plan_row(same).reason.startswith("The theatre list says Wed 2026-03-25") and not plan_row(same).questions
    assert [r for r in same.rows if r.verdict == "no-plan"] == []
    third = plan_row(report(booked, theatre=listed_on(date(2026, 3, 26))))
    assert third.reason.startswith("The theatre list says Thu 2026-03-26")
    assert "Wed 2026-03-25" in " ".join(third.questions)
    nowhere = plan_row(report(booked, theatre=TheatreList((), date(2026, 3, 9), date(2026, 3, 31))))
    assert nowhere.verdict == "date-differs" and "does not show this patient" in " ".join(nowhere.questions)
    off = resource(2, "2026-03-18T12:30:00Z", "0SRG0JZ", "cancelled")
    called_off = plan_row(report(off, theatre=listed_on(SURGERY)))
    assert called_off.verdict == "no-case" and "no other booking or order" in called_off.reason
    ordered = resource(3, "2026-03-25", "0SRG0JZ", "order active")  # against the list it asks, as against a booking
    asked = plan_row(report(ordered, theatre=listed_on(SURGERY)))
    assert (asked.verdict, asked.severity) == ("needs-review", 2) and "Wed 2026-03-25 (ServiceRequest/3" in asked.reason
    assert plan_row(report(ordered, theatre=listed_on(date(2026, 3, 25)))).verdict == "date-differs"
    other_side = resource(4, "2026-03-18", "0SRF0JZ", "order active") | {"bodySite": [{"text": "Right ankle"}]}
    assert "says right, the plan" in plan_row(report(ordered, other_side, theatre=listed_on(SURGERY))).reason


def test_a_booking_of_the_side_that_the_list_does_not_show_has_no_plan():
    """verdicts.md 3: no-plan is a case without a plan; what the list tells of one side tells nothing of the other."""
    booked = [resource(n, "2026-03-18T12:30:00Z", code, "booked") for n, code in enumerate(("0SRG0JZ", "0SRF0JZ"))]
    listed = report(*booked, theatre=listed_on(SURGERY, side="left"))
    (stranger,) = [r for r in listed.rows if r.verdict == "no-plan"]
    assert "right" in stranger.reason and plan_row(listed).verdict == "current"
    both = tuple(TheatreCase(s, listed_on(SURGERY).cases[0].patient, SURGERY, side=s) for s in ("left", "right"))
    once = report(*booked, theatre=TheatreList(both, SURGERY, SURGERY))  # and what it does show is not told twice
    assert [r.verdict for r in once.rows if r.verdict == "no-plan"] == ["no-plan"]


@pytest.mark.parametrize(("sides", "words"), [
    (("bilateral",), ["current", "current"]),
    (("left", "right"), ["current", "current"]),
    (("right", "left"), ["current", "current"]),
    (("left",), ["current", "no-case"]),
    (("left", "bilateral"), ["current", "needs-review"]),
])  # fmt: skip
def test_both_sides_on_one_day_are_the_two_plans(sides, words):
    both = [
        (ankle(side=side, number=n, standing=Standing.GIVEN), State()) for n, side in enumerate(("left", "right"), 1)
    ]
    who = (str(both[0][0].patient.identifier),)
    cases = tuple(TheatreCase(f"line {n}", who, SURGERY, side=side) for n, side in enumerate(sides))
    for given in (cases, cases[::-1]):
        listed = worklist(both, (), date(2026, 3, 10), theatre=TheatreList(given, SURGERY, SURGERY))
        assert [r.verdict for r in sorted(listed.rows, key=lambda r: r.episode) if r.kind == "plan"] == words


def test_one_plan_of_two_sides_asks():
    listed = report(theatre=listed_on(SURGERY, side="bilateral"))
    assert "says bilateral, the plan says left" in plan_row(listed).reason


def test_the_booking_of_somebody_who_has_no_plan_stays_an_appointment_without_a_plan():
    other = {"identifier": {**WHO["identifier"], "value": "AQ-9"}, "type": "Patient"}
    booked = resource(1, "2026-03-25T12:30:00Z", "0SRG0JZ", "booked")
    order = resource(2, "2026-03-25", "0SRG0JZ", "order active") | {"subject": other}
    listed = report(booked | {"participant": [{"actor": other, "status": "accepted"}]}, order)
    assert plan_row(listed).verdict == "current"
    assert [(p.reference, p.place) for p in listed.appointments if p.place == "no plan"] == [
        ("Appointment/1", "no plan")
    ]


def test_a_server_and_its_files_say_the_same():
    """What another system ordered or booked carries no tag of ours: all of the patient's is read."""
    case = folder("sandbox_bundles") / "demo-left"
    told = [resource("order", "2026-03-25", "0SRG0JZ", "order active"),
            resource("booked", "2026-03-18T18:00:00Z", "0SRG0JZ", "booked")]  # fmt: skip
    with running() as url:
        server = Server(url)
        waykeeper.push(str(case / "plan.bundle.json"), to=url)
        (patient,) = server.search("Patient", [])
        here = {"reference": patient[0]}
        told[0]["subject"], told[1]["participant"] = here, [{"actor": here, "status": "accepted"}]
        request = [{"resource": one, "request": {"method": "POST", "url": one["resourceType"]}} for one in told]
        server.bundle({"resourceType": "Bundle", "type": "transaction", "entry": request})
        asked = waykeeper.gaps(url, as_of=BEFORE)
    own = next(r for r in asked.whole.rows if r.item == "plan/plan")
    assert (own.verdict, own.severity) == ("needs-review", 3)
    assert "says 13:00" in own.reason and "Wed 2026-03-25" in " ".join(own.questions)
