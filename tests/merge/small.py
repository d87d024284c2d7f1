"""A small plan for tests: one item of each kind, an invented patient who takes apixaban, compiled as any other."""

from __future__ import annotations

import uuid
from datetime import date, time
from functools import cache
from pathlib import Path

from waykeeper.fhir import is_ours
from waykeeper.medicines import rule_names
from waykeeper.pathway.library import load
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Answers, Identifier, Key, Plan
from waykeeper.record import read
from waykeeper.timing.model import Moment
from waykeeper.verbs.inputs import clinic_of

HOME = Path(__file__).parent
MRN = "https://alder-quay.example/mrn"
SURGERY = date(2026, 3, 18)
BLOOD = Key("task", "blood-tests")
CALL = Key("task", "call")
WASH = Key("task", "wash", "evening")
READY = Key("gate", "ready")
FILM = Key("gate", "film-check")
VISIT = Key("visit", "two-week")
WEIGHT = Key("restriction", "no-weight")
LATEX = Key("question", "latex_allergy")
HOLD = Key("hold", "https://alder-quay.example/orders|rx-1")


@cache
def clinic():
    """The demo's clinic."""
    return clinic_of("clinic-demo")


@cache
def pathway(*changes: tuple[str, str]):
    """The small pathway; `changes` are pairs of texts, the first replaced by the second: another version."""
    text = (HOME / "small.yaml").read_text("utf-8")
    for before, after in changes:
        assert before in text, before
        text = text.replace(before, after)
    loaded, found = load(("small.yaml", text.encode()), [], rule_names(), None, clinic())
    assert loaded is not None, [f.line() for f in found]
    return loaded


def new_identifier() -> Identifier:
    """An identifier that no other test has."""
    return Identifier(MRN, f"M-{uuid.uuid4().hex[:12]}")


def patient(identifier: Identifier) -> dict:
    """An invented patient, labelled as test data."""
    return {
        "resourceType": "Patient",
        "meta": {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]},
        "identifier": [{"system": identifier.system, "value": identifier.value}],
        "name": [{"family": "Quill", "given": ["Robin"]}],
        "birthDate": "1958-04-09",
    }


def order(words: str = "apixaban 5 mg tablet", mg: float | None = None) -> dict:
    """The patient's apixaban, as another system ordered it; or what that order names by now, and its dose."""
    dose = {"doseQuantity": {"value": mg, "unit": "mg", "system": "http://unitsofmeasure.org", "code": "mg"}}
    return {
        **({"dosageInstruction": [{"doseAndRate": [dose]}]} if mg else {}),
        "resourceType": "MedicationRequest",
        "identifier": [{"system": "https://alder-quay.example/orders", "value": "rx-1"}],
        "status": "active",
        "intent": "order",
        "medicationCodeableConcept": {"text": words},
        "subject": {"reference": "Patient/1"},
    }


def compiled(
    identifier: Identifier,
    surgery: date = SURGERY,
    *,
    changes: tuple[tuple[str, str], ...] = (),
    answers: Answers | None = None,
    episode: int = 1,
    clock: time = time(7, 30),
    words: str = "apixaban 5 mg tablet",
    mg: float | None = None,
    side: str = "left",
    anaesthesia: str = "unknown",
) -> Plan:
    """The plan of the invented patient."""
    record = read([("urn:uuid:p", patient(identifier)), ("urn:uuid:o", order(words, mg))], is_ours)
    moment = Moment(surgery, clock, clinic().zone)
    return compile_plan(
        pathway(*changes), clinic(), record, {"surgery": moment},
        side=side, anaesthesia=anaesthesia, identifier=identifier, episode=episode, answers=answers,
    )  # fmt: skip


def instant(day: date, hour: int = 9) -> str:
    """An instant of the clinic's zone."""
    return str(Moment(day, time(hour), clinic().zone))
