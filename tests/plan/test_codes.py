"""Every code of a plan, made or read: its example raises it, its counter-example does not."""

from __future__ import annotations

from datetime import date, time
from typing import Any

import pytest

from merge.small import HOLD, MRN, clinic, compiled, new_identifier, order, pathway, patient
from waykeeper import fhir
from waykeeper.findings import WaykeeperError, catalogue
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Answers, HoldAnswer, Identifier
from waykeeper.record import read
from waykeeper.timing.model import Moment

CODES = {code: entry for code, entry in catalogue().items() if code.startswith(("WKL", "WKF"))}
WHO = Identifier(MRN, "M-1")
PROOF = (
    ("{assume: 1 day after surgery}", "{assume: 1 day after surgery, recognise: {encounter_end: inpatient}}"),
    ("surgery: {required: true}", "surgery: {required: true, recognise: {procedure: [urn:joints|TAR]}}"),
)
READY_NEEDS_WASH = (
    "at: 7 days before surgery\n        needs: [blood-tests, medicines]",
    "at: 1 hour before surgery\n        needs: [wash]",
)


def moment(text: str) -> Moment:
    day, _, clock = text.partition("T")
    return Moment(date.fromisoformat(day), time.fromisoformat(clock) if clock else None, clinic().zone)


def compiling(example: dict[str, Any]) -> list[str]:
    """The codes of compiling the small pathway with the anchors, the side and the record of an example."""
    given = dict(example)
    names = ("side", "newest_entry", "stay_ended", "operated_on", "wash", "answered", "diagnosis", "born", "allergy")
    side, newest, ended, operated, wash, days, diagnosis, born, allergy = (given.pop(name, "") for name in names)
    answers = Answers(holds={HOLD: HoldAnswer("hold", days)}) if days else None
    title = (("title: Small pathway", "title: Total ankle replacement"),) if diagnosis else ()
    changes = (
        *PROOF,
        *title,
        *((READY_NEEDS_WASH, ("morning: day of surgery}", f"morning: {wash}}}")) if wash else ()),
    )
    who = patient(WHO) | ({"birthDate": born} if born else {})
    held = [("urn:uuid:p", who), ("urn:uuid:o", order() | ({"authoredOn": newest} if newest else {}))]
    if ended:
        stay = {"start": "2026-03-18T06:00:00-05:00", "end": f"{ended}T11:00:00-05:00"}
        kind = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}
        held.append(("urn:uuid:e", {"resourceType": "Encounter", "status": "finished", "class": kind, "period": stay}))
    if operated:
        done = {"resourceType": "Procedure", "status": "completed", "performedDateTime": "2026-03-18"}
        held.append(
            (
                "urn:uuid:d",
                done
                | {"code": {"coding": [{"system": "urn:joints", "code": "TAR"}]}, "bodySite": [{"text": operated}]},
            )
        )
    if diagnosis:
        held.append(("urn:uuid:c", {"resourceType": "Condition", "code": {"text": diagnosis}}))
    if allergy:
        held.append(("urn:uuid:a", {"resourceType": "AllergyIntolerance", "code": {"text": allergy}}))
    anchors = {name: moment(text) for name, text in given.items()}
    try:
        record = read(held, fhir.is_ours)
        made = compile_plan(pathway(*changes), clinic(), record, anchors, side=side, identifier=WHO, answers=answers)
    except WaykeeperError as error:
        return [f.code for f in error.findings]
    return [f.code for f in made.findings]


def reading(example: dict[str, Any]) -> list[str]:
    """The codes of reading resources that hold so many plans, one if it does not say, of a clinic in a time zone."""
    written = [r for _ in range(example.get("plans", 1)) for r in _written()]
    if zone := example.get("zone"):
        (said,) = (part for r in written for e in r.get("extension", ()) for part in e.get("extension", ())
                   if r["resourceType"] == "CarePlan" and part["url"] == "zone")  # fmt: skip
        said["valueString"] = zone
    held = [(f"{r['resourceType']}/{r['id']}", r) for r in written]
    try:
        fhir.read(held)
    except WaykeeperError as error:
        return [f.code for f in error.findings]
    return []


def _written() -> list[dict[str, Any]]:
    return fhir.write(compiled(new_identifier()))


def codes(code: str, example: dict[str, Any]) -> list[str]:
    return (reading if code.startswith("WKF") else compiling)(example)


@pytest.mark.parametrize("code", sorted(CODES))
def test_the_example_raises_it_and_the_counter_example_does_not(code):
    entry = CODES[code]
    assert code in codes(code, entry.raises)
    assert code not in codes(code, entry.passes)


def test_every_code_of_the_catalogue_has_both_examples():
    assert [code for code, e in catalogue().items() if e.raises is None or e.passes is None] == []
