"""What an order says in more than its name: reasons in codes, displays and longer texts; a code that contradicts it."""

from __future__ import annotations

import pytest

from medicines.case_files import CALENDAR, moment, row_of
from waykeeper.medicines import MedicineRow, propose
from waykeeper.pathway.model import Coding
from waykeeper.record import read
from waykeeper.record.model import Kidney, MedicineEntry

SNOMED, ATC, ICD = "http://snomed.info/sct", "http://www.whocc.no/atc", "http://hl7.org/fhir/sid/icd-10-cm"


def row_for(words: str, reason: dict[str, object]) -> MedicineRow:
    order = {"resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
             "subject": {"reference": "Patient/p"}, "medicationCodeableConcept": {"text": words},
             "reasonCode": [reason]}  # fmt: skip
    surgery = moment("2026-03-18T07:30")
    record = read([("MedicationRequest/1", order), ("Patient/p", {"resourceType": "Patient", "id": "p"})])
    (row,) = propose(record.medicines, surgery, Kidney(), "unknown", {}, calendar=CALENDAR)
    return row


@pytest.mark.parametrize("reason", [
    {"text": "Heart failure"},
    {"coding": [{"system": SNOMED, "code": "84114007", "display": "Heart failure"}]},
    {"coding": [{"system": ICD, "code": "I50.22"}]},
    {"coding": [{"system": ICD, "code": "I5022"}]},
    {"coding": [{"system": "urn:oid:2.16.840.1.113883.6.90", "code": "I50.22"}]},
])  # fmt: skip
def test_a_reason_counts_however_it_is_coded(reason: dict[str, object]) -> None:
    """As a Condition of the record does. ACE inhibitor in heart failure: ask (AHA/ACC 2024, 2a, from memory)."""
    row = row_for("lisinopril 10 mg", reason)
    assert (row.decision, row.missed_days) == ("ask", None) and "taken for heart failure" in row.question


@pytest.mark.parametrize("text", [
    "drug eluting stent January 2026", "Coronary artery stent placed 2025", "stented coronary artery", "PCI with stent",
])  # fmt: skip
def test_a_stent_inside_a_longer_reason_is_one(text: str) -> None:
    """AHA/ACC 2024 (summary) and a DAPT review, Korean J Anesthesiol: cardiology decides before anything stops."""
    row = row_for("clopidogrel 75 mg", {"text": text})
    assert (row.decision, row.missed_days, row.confirm_by) == ("ask", None, "cardiologist")


def test_no_stent_is_none() -> None:
    row = row_for("clopidogrel 75 mg", {"text": "no evidence of stent stenosis"})
    assert (row.decision, row.missed_days) == ("hold", 7)


@pytest.mark.parametrize(("words", "text", "asked"), [
    ("methotrexate 2.5 mg tablet weekly", "acute lymphoblastic leukemia", "for cancer or a transplant"),
    ("adalimumab 40 mg q2w", "Crohn's disease of ileum", "not taken for rheumatism"),
    ("rituximab 1 g infusion", "non-Hodgkin lymphoma", "not taken for rheumatism"),
    ("furosemide 40 mg", "congestive heart failure NYHA II", "want the morning dose left out"),
    ("lisinopril 10 mg", "heart failure, NYHA III", "continuing is reasonable"),
])  # fmt: skip
def test_a_disease_inside_a_longer_reason_asks(words: str, text: str, asked: str) -> None:
    """ACR/AAHKS 2022 is for rheumatism only; heart failure as above. The longer text never decides."""
    row, plain = row_for(words, {"text": text}), row_for(words, {})
    assert row.decision == "ask" and f'its order gives "{text.lower()}"' in row.question and asked in row.question
    assert (row.missed_days, row.last_dose, row.window) == (plain.missed_days, plain.last_dose, plain.window)


@pytest.mark.parametrize(
    "text", ["risk of heart failure", "heart failure ruled out", "hypertension", "family history of stroke"]
)
def test_a_reason_that_is_taken_back_asks_nothing(text: str) -> None:
    assert row_for("furosemide 40 mg", {"text": text}).decision == "hold"


def test_pain_inside_a_longer_reason_never_stops_an_aspirin() -> None:
    row = row_for("aspirin 81 mg", {"coding": [{"system": ICD, "code": "I25.10"}], "text": "CAD with chest pain"})
    assert (row.decision, row.missed_days, row.question) == ("continue", None, "")


@pytest.mark.parametrize(("words", "system", "display", "differs"), [
    ("apixaban", ATC, "warfarin", True),
    ("warfarin", SNOMED, "Apixaban (product)", True),
    ("warfarin 5 mg", SNOMED, "Product containing only apixaban (medicinal product)", True),
    ("metoprolol succinate 50 mg", SNOMED, "Atenolol-containing product", True),
    ("metoprolol succinate 50 mg", SNOMED, "Metoprolol-containing product", False),
    ("aspirin and clopidogrel", ATC, "clopidogrel", True),
    ("aspirin 81 mg", ATC, "acetylsalicylic acid", False),
    ("enoxaparin", ATC, "Heparin group", False),
    ("lisinopril/hctz", ATC, "lisinopril and diuretics", False),
])  # fmt: skip
def test_a_code_of_any_system_may_contradict_the_words(words: str, system: str, display: str, differs: bool) -> None:
    """Nobody chooses between two names of one row, whichever system one of them is of. Displays from memory."""
    entry = MedicineEntry("row", words=words, codes=(Coding(system, "1", display),))
    (row,) = propose([entry], moment("2026-03-18T07:30"), Kidney(), "general", {}, calendar=CALENDAR)
    assert row.recognised is not differs
    assert ("name different medicines" in row.question) is differs
    if not differs:
        assert row.ingredients == row_of({"words": words}).ingredients
