"""What is said of the morning of surgery: beta blockers and the like are taken then, never newly begun (2014 table)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, moment, row_of
from waykeeper.medicines import AS_NEEDED, MORNING, NOT_SWALLOWED, RESCUE, MedicineRow, propose
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
        {"text": "una o más si es necesario"},
        {"text": "Puede tomar una más si es necesario"},
        {"text": "1-2 tabs as needed; may repeat in PM"},
        {"text": "1 extra tablet as needed for palpitations"},
        {"text": "1 tab PRN"},
        {"text": "1 tablet", "timing": {"code": {"text": "as needed"}}},
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
    assert (rescue.decision, rescue.question) == ("continue", "") and RESCUE in rescue.notes
    drops = row(replace(entry({"words": "timolol eye drops"}), as_needed=True))
    assert (drops.decision, drops.question) == ("continue", "")  # a beta blocker, and not swallowed
    unknown = row(replace(entry({"words": "zzzmab"}), as_needed=True))
    assert unknown.notes == ()


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ("metoprolol tartrate 25 mg", "Take 1 tablet twice daily. May take 1 extra tablet as needed for palpitations"),
        ("metoprolol tartrate 25 mg", "1 tablet every 12 hours. 1 extra as needed"),
        ("metoprolol tartrate 25 mg", "1 tablet every 12 hours, with food; half a tablet as needed"),
        ("carbidopa / levodopa 25/100 mg", "1 tablet three times daily, may take 1 extra tablet as needed"),
        ("clonidine 0.1 mg tablet", "1 tablet twice daily, plus 1 tablet as needed for SBP over 180"),
        ("levetiracetam 500 mg", "1 tablet twice daily. Refill as needed."),
        ("levetiracetam 500 mg", "1 tablet twice daily, refill as needed"),
        ("amlodipine 5 mg tablet", "1 tablet daily; check blood pressure as needed"),
        ("prednisone 5 mg", "1 tablet daily, increase as needed for flare"),
        ("oxycodone 10 mg", "1 tablet every 6 hours scheduled, and 1 more as needed for breakthrough pain"),
        ("metoprolol tartrate 25 mg", "1 tableta dos veces al día, y una más si es necesario"),
        ("metoprolol tartrate 25 mg", "1 tablet nightly, 1 more as needed"),
        ("metoprolol tartrate 25 mg", "1 tablet 2x/day; 1 tab extra as needed"),
        ("metoprolol tartrate 25 mg", "1 tablet with breakfast and dinner, 1 extra as needed"),
        ("levetiracetam 500 mg", "1-0-1, 1 extra as needed"),
        ("tramadol 50 mg", "1 tablet AM and PM plus prn"),
        ("tramadol 50 mg", "1 tablet twice daily plus as needed"),
        ("levetiracetam 500 mg", "1 cap AM, 1 cap PM, plus prn"),
        ("levetiracetam 500 mg", "1 cápsula cada mañana más si es necesario"),
        ("carbidopa / levodopa 25/100 mg", "1 tablet at 8, 12, 4 and 8, 1 extra as needed"),
    ],
)
def test_a_daily_dose_with_more_as_needed_is_never_told_as_only_when_needed(words: str, text: str) -> None:
    """Left out each day, a beta blocker or clonidine rebounds, and a seizure comes back (2014 pocket table; memory)."""
    found = ordered(words, {"text": text})
    assert found.decision == "continue"
    assert MORNING in found.notes and AS_NEEDED not in found.notes
    assert "only as needed" not in found.question


def test_a_daily_text_is_not_lost_beside_a_timing_that_says_as_needed() -> None:
    found = ordered("metoprolol tartrate 25 mg", {"text": "1 tablet daily", "timing": {"code": {"text": "as needed"}}})
    assert AS_NEEDED not in found.notes


@pytest.mark.parametrize(
    "dosage",
    [
        {"text": "1 tablet twice daily as needed"},
        {"text": "1 tablet daily", "asNeededBoolean": True},
        {"text": "1 tab in AM and in PM if needed"},
    ],
)
def test_an_instruction_that_says_both_asks_which_it_is(dosage: dict[str, Any]) -> None:
    found = ordered("metoprolol tartrate 25 mg", dosage)
    assert "its order says both each day and as needed: which is it?" in found.question
    assert MORNING not in found.notes and AS_NEEDED not in found.notes


@pytest.mark.parametrize(
    "text",
    [
        "1 tablet every 4-6 hours as needed for pain, max 8 tablets per day", "1 tablet every 6 hours, as needed",
        "take 1 tablet by mouth every 6 (six) hours as needed for pain", "1 tablet up to 3 times a day as needed",
        "1 tablet three times daily as needed for pain", "1 tableta cada 6 horas si es necesario",
    ],
)  # fmt: skip
def test_an_opioid_as_needed_is_not_asked_how_often_and_is_not_of_the_day_of_surgery(text: str) -> None:
    found = ordered("oxycodone 5 mg", {"text": text})
    assert AS_NEEDED in found.notes and MORNING not in found.notes
    assert not any("also on the day of surgery" in n for n in found.notes)
    assert "begun" not in found.question and "which is it" not in found.question
    timed = {
        "text": text,
        "asNeededBoolean": True,
        "timing": {"repeat": {"frequency": 1, "period": 6, "periodUnit": "h"}},
    }
    assert AS_NEEDED in ordered("oxycodone 5 mg", timed).notes


@pytest.mark.parametrize(
    ("words", "text", "rescue"),
    [
        ("albuterol 90 mcg inhaler", "2 puffs every 4 hours as needed", True),
        ("nitroglycerin 0.4 mg", "1 under the tongue as needed, may repeat once", True),
        ("nitroglycerin 0.4 mg sublingual tablet", "1 under the tongue as needed for chest pain", True),
        ("naloxone 4 mg nasal spray", "1 spray", True),
        ("budesonide / formoterol inhaler", "2 puffs as needed", True),
        ("budesonide / formoterol inhaler", "2 puffs twice daily", False),
        ("nitroglycerin 0.2 mg/hr patch", "1 patch daily", False),
        ("buprenorphine / naloxone 8/2 mg sublingual film", "1 daily", False),
    ],
)
def test_a_rescue_medicine_is_brought_along(words: str, text: str, rescue: bool) -> None:
    found = ordered(words, {"text": text})
    assert (RESCUE in found.notes) == rescue and AS_NEEDED not in found.notes
    assert not (rescue and MORNING in found.notes)
    assert found.recognised and found.decision == "continue"


@pytest.mark.parametrize(
    ("words", "text", "swallowed"),
    [
        ("latanoprost eye drops", "1 drop nightly", False), ("timolol 0.5%", "1 drop in both eyes", False),
        ("fluticasone", "2 puffs twice daily", False), ("levothyroxine 50 mcg", "1 daily", True),
        ("enoxaparin 40 mg injection", "1 daily", False), ("semaglutide 1 mg pen", "once weekly", False),
        ("omeprazole 20 mg capsule", "1 daily", True), ("rotigotine 2 mg/24 hr patch", "1 patch daily", False),
    ],
)  # fmt: skip
def test_what_is_not_swallowed_says_so(words: str, text: str, swallowed: bool) -> None:
    assert (NOT_SWALLOWED not in ordered(words, {"text": text}).notes) == swallowed
