"""What is said of the morning of surgery: beta blockers and the like are taken then, never newly begun (2014 table)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, moment, row_of
from waykeeper.medicines import AS_NEEDED, MORNING, MedicineRow, propose
from waykeeper.record import read
from waykeeper.record.model import Kidney, MedicineEntry

SURGERY = moment("2026-03-18T07:30")
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})


def row(given: MedicineEntry) -> MedicineRow:
    return propose([given], SURGERY, Kidney(), "general", {}, calendar=CALENDAR)[0]


def ordered(words: str, *dosages: dict[str, Any]) -> MedicineRow:
    order = {
        "resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": words}, "dosageInstruction": list(dosages),
    }  # fmt: skip
    return row(read([PATIENT, ("MedicationRequest/1", order)]).medicines[0])


@pytest.mark.parametrize(
    "words",
    [
        "metoprolol 25 mg tablet", "atorvastatin 40 mg", "clonidine 0.1 mg", "amlodipine 5 mg", "digoxin 0.125 mg",
        "prednisone 5 mg", "methadone 10 mg", "levetiracetam 500 mg", "carbidopa / levodopa 25/100 mg",
        "metoprolol 50 mg / atorvastatin 20 mg",
    ],
)  # fmt: skip
def test_what_goes_on_through_the_morning_says_so(words: str) -> None:
    """Class I to continue (2014 pocket table), prednisone on the day (ACR/AAHKS 2022), opioids (SPAQI 2021)."""
    found = row_of({"words": words})
    assert (found.decision, found.notes[0]) == ("continue", MORNING)


@pytest.mark.parametrize(
    "words",
    [
        "levothyroxine 50 mcg", "sertraline 50 mg", "methotrexate 15 mg weekly", "timolol eye drops",
        "buprenorphine 10 mcg/h transdermal patch", "nitroglycerin 0.4 mg sublingual", "lisinopril 10 mg",
        "losartan / amlodipine", "albuterol inhaler",
    ],
)  # fmt: skip
def test_what_no_rule_has_on_the_morning_is_not_said_to_be_taken_then(words: str) -> None:
    """In a product of two the morning holds only where it holds for both; a sip of water goes with no patch."""
    assert MORNING not in row_of({"words": words}).notes


@pytest.mark.parametrize(
    "dosage",
    [
        {"text": "1 tablet as needed for palpitations"},
        {"text": "1 tablet", "asNeededBoolean": True},
        {"text": "1 tablet", "asNeededCodeableConcept": {"text": "palpitations"}},
        {"text": "una tableta si es necesario"},
        {"text": "1 tab PRN"},
    ],
)
def test_a_medicine_for_when_it_is_needed_is_never_a_daily_one(dosage: dict[str, Any]) -> None:
    """A beta blocker that is begun on the day of surgery does harm (2014 pocket table)."""
    found = ordered("metoprolol tartrate 25 mg", dosage)
    assert found.decision == "continue"
    assert AS_NEEDED in found.notes and MORNING not in found.notes
    assert "how often is it really taken? it is not begun on the day of surgery" in found.question


def test_a_daily_dose_beside_one_as_needed_stays_a_daily_medicine() -> None:
    found = ordered("metoprolol tartrate 25 mg", {"text": "1 tablet daily"}, {"text": "1 more as needed"})
    assert MORNING in found.notes and AS_NEEDED not in found.notes


def test_as_needed_changes_no_pause_and_asks_nothing_where_nothing_is_daily() -> None:
    plain = entry({"words": "ibuprofen 400 mg"})
    assert row(replace(plain, as_needed=True)) == row(plain)
    rescue = row(replace(entry({"words": "albuterol inhaler"}), as_needed=True))
    assert (rescue.decision, rescue.question) == ("continue", "") and AS_NEEDED in rescue.notes
    unknown = row(replace(entry({"words": "zzzmab"}), as_needed=True))
    assert unknown.notes == ()
