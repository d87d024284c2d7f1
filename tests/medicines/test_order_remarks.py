"""What the words of an order say against its being taken as ordered is quoted and asked, never believed or passed over.

The wordings are invented after those of lists that clinics receive (common practice, no source).
"""

from __future__ import annotations

from datetime import date, time
from typing import Any

import pytest

from medicines.case_files import CALENDAR, moment, row_of
from waykeeper.medicines import propose
from waykeeper.plan.holds import hold_items
from waykeeper.plan.model import Answers, Key
from waykeeper.record import read
from waykeeper.record.model import Kidney
from waykeeper.timing.model import Moment

NOT_TAKEN = [
    "stopped in March", "Stopped 2026-01-10, now on something else", "not taking", "patient not taking since January",
    "discontinued by cardiology", "no longer taking", "course finished", "completed", "until 1 March", "until 3/4/26",
    "until the 5th of March", "last dose 15 Jan", "ended", "on hold", "held", "held since Friday", "paused",
    "1 tablet once daily stopped in March", "take after meals, discontinued", "never taken",
    "patient allergic", "replaced by another one", "D/C'd by GP", "d/c", "has not started",
    "hasn't started yet", "doesn't take it", "take for 10 days then stop", "to be stopped 1 March",
    "has been stopped, restart when INR ok", "dejó de tomarla en enero", "suspendido", "ya no toma",
    "no la toma", "no lo está tomando", "hasta el 3 de marzo", "is not taking", "did not start taking", "no longer",
    "last taken at home on 3 March", "última dosis en enero",
    "must not be taken", "cambiado a otro",
]  # fmt: skip
TAKEN = [
    "", "1 tablet twice daily", "take until finished", "hold if HR < 55", "hold for SBP<100", "do not stop",
    "never stop without calling the clinic", "should not be stopped abruptly", "must not be stopped",
    "breath held for 10 s", "with or without food", "replaced every 72 hours", "changed to 5 mg",
    "one daily until the course is completed", "1 tablet twice daily. May take 1 more as needed",
    "dose can be held if vomiting", "if stopped call us",
    "last dose at 8 pm", "last dose may be left out", "avoid aspirin", "do not take with ibuprofen",
    "no tomar con leche", "si es necesario", "take suspended in water", "until told to stop",
    "48 hours after the diarrhoea has stopped", "held on the tongue", "stopped smoking 2019",
    "una vez terminada la comida", "no más de 8 al día", "do not stop taking without talking to your doctor",
    "do not start using a salt substitute", "for no longer than 5 days",
    "should not be taken with alcohol", "cambiado a 5 mg", "dejó de fumar en 2019",
]  # fmt: skip
AROUND = ["start after surgery", "for 35 days postoperatively", "Hold morning of operation", "empezar tras la cirugía",
          "stop 7 days before surgery", "pre-op"]  # fmt: skip


@pytest.mark.parametrize("text", NOT_TAKEN)
@pytest.mark.parametrize("words", ["metoprolol succinate 50 mg", "warfarin 5 mg tablet"])
def test_an_order_whose_words_say_that_it_is_not_taken_asks(words: str, text: str) -> None:
    """A beta blocker that was stopped is not newly begun on the day of surgery (ACC/AHA 2014 pocket table: harm)."""
    plain, row = row_of({"words": words}), row_of({"words": words, "dose_text": text})
    assert row.decision == ("hold" if plain.decision == "hold" else "ask")
    assert "is it taken now?" in row.question and plain.question in row.question
    assert (row.missed_days, row.last_dose) == (plain.missed_days, plain.last_dose)


@pytest.mark.parametrize("text", TAKEN)
def test_an_instruction_that_is_none_of_them_changes_nothing(text: str) -> None:
    row = row_of({"words": "sertraline 50 mg tablet", "dose_text": text})
    assert (row.decision, row.question) == ("continue", "")


@pytest.mark.parametrize("text", AROUND)
def test_an_order_that_speaks_of_an_operation_asks_what_was_agreed(text: str) -> None:
    row = row_of({"words": "apixaban 2.5 mg tablet", "dose_text": text, "anaesthesia": "general"})
    assert f'speaks of an operation, "{text}"' in row.question
    assert (row.decision, str(row.last_dose)) == ("hold", "2026-03-15")  # N = 2 of PAUSE stays beside the question


def test_a_second_blood_thinner_in_the_instructions_is_not_lost() -> None:
    row = row_of({"words": "warfarin 5 mg tablet", "dose_text": "with enoxaparin 80 mg bid until INR 2"})
    assert row.decision == "hold" and "names enoxaparin too" in row.question
    itself = row_of({"words": "warfarin 5 mg tablet", "dose_text": "warfarin 5 mg daily; do not take with aspirin"})
    assert itself.decision == "hold" and "names" not in itself.question


def test_a_course_of_a_steroid_is_asked_once() -> None:
    row = row_of({"words": "prednisone 10 mg", "dose_text": "20 mg daily for 3 days, then stop"})
    assert row.decision == "continue" and "is the course over?" in row.question


def test_a_note_that_comes_after_the_answer_takes_nothing_from_it() -> None:
    """The pause of before stays one, of the same key: what a prescriber answered about it is not asked for again."""
    surgery = Moment(date(2026, 3, 18), time(7, 30), "America/New_York")
    rows = [row_of({"words": "warfarin 5 mg tablet", "dose_text": text}) for text in ("", "start again after surgery")]
    items = [hold_items([row], None, surgery, Answers(), CALENDAR)[0] for row in rows]
    assert items[0].key == items[1].key == Key("hold", rows[0].key)
    assert "of this operation" in items[1].hold.question and "of this operation" not in items[0].hold.question


@pytest.mark.parametrize("beside", [
    {"note": [{"text": "Seen in March. Patient stopped this two weeks ago"}]},
    {"statusReason": {"text": "stopped by the ward"}},
    {"dosageInstruction": [{"text": "1 tablet", "patientInstruction": "stopped by your doctor"}]},
    {"dosageInstruction": [{"text": "1 tablet"}, {"additionalInstruction": [{"text": "stopped last week"}]}]},
])  # fmt: skip
def test_notes_and_what_the_patient_is_told_are_read_too(beside: dict[str, Any]) -> None:
    """FHIR R4: MedicationRequest.note and .statusReason, Dosage.patientInstruction and .additionalInstruction."""
    order = {"resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
             "subject": {"reference": "Patient/p"}, "medicationCodeableConcept": {"text": "metoprolol 50 mg"},
             **beside}  # fmt: skip
    patient = {"resourceType": "Patient", "id": "p", "name": [{"text": "Ada Demo"}]}
    surgery = moment("2026-03-18T07:30")
    record = read([("Patient/p", patient), ("MedicationRequest/1", order)], surgery=surgery.day, today=surgery.day)
    (row,) = propose(record.medicines, surgery, Kidney(), "general", {}, calendar=CALENDAR)
    assert row.decision == "ask" and "stopped" in row.question and "is it taken now?" in row.question


@pytest.mark.parametrize("text", ["last dose ", "última dosis ", "1/2/3/4/"])
def test_a_long_text_is_read_at_once(text: str) -> None:
    """A note may have many pages: these 30 kB took half a minute while each place was tried with each."""
    assert row_of({"words": "sertraline 50 mg tablet", "dose_text": text * 3000}).decision == "continue"
