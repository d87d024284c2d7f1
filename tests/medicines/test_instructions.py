"""An order with several dosage instructions gives one row: the strictest, and a question where they differ."""

from __future__ import annotations

from typing import Any

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import MedicineRow, daily_sums, propose
from waykeeper.record import read
from waykeeper.record.model import Kidney, MedicineEntry

PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
Dosage = dict[str, Any]


def order(words: str, *dosages: Dosage, **more: Any) -> MedicineEntry:
    resource = {
        "resourceType": "MedicationRequest", "status": "active", "medicationCodeableConcept": {"text": words},
        "dosageInstruction": list(dosages), **more,
    }  # fmt: skip
    return read([PATIENT, ("MedicationRequest/1", resource)]).medicines[0]


def row(entry: MedicineEntry, anaesthesia: str = "general", **policies: str) -> MedicineRow:
    surgery = moment("2026-03-18T07:30")
    (found,) = propose([entry], surgery, Kidney(), anaesthesia, policies, calendar=CALENDAR)
    return found


def weekly(*days: str) -> Dosage:
    repeat = {"frequency": 1, "period": 1, "periodUnit": "wk", "dayOfWeek": list(days)}
    return {"text": f"one injection each {' and '.join(days)}", "timing": {"repeat": repeat}}


def daily(text: str, mg: str = "5", route: str = "oral") -> Dosage:
    return {
        "text": text, "timing": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}},
        "route": {"text": route}, "doseAndRate": [{"doseQuantity": {"value": float(mg), "code": "mg"}}],
    }  # fmt: skip


def test_instructions_that_come_to_the_same_ask_nothing() -> None:
    """Warfarin by the day of the week, common practice: one hold of five days (CHEST 2022, from memory)."""
    two = order("warfarin", daily("one tablet on Monday"), daily("half a tablet on the other days", "2.5"))
    assert len(two.also) == 1
    found = row(two)
    assert (found.decision, found.missed_days, found.question) == ("hold", 5, row(order("warfarin")).question)


def test_an_instruction_that_is_there_twice_counts_once() -> None:
    assert order("warfarin", daily("one tablet"), daily("one tablet")).also == ()


def test_the_larger_dose_of_two_counts_and_is_asked_about() -> None:
    """Apixaban 2.5 mg at noon and 5 mg at night: no low dose; ASRA timing table (copies): 72 h before a needle."""
    prophylaxis = {"reasonCode": [{"text": "low-dose-prophylaxis"}]}
    small, large = daily("one small tablet at noon", "2.5"), daily("one large tablet at night", "5")
    alone, both = (row(order("apixaban", *d, **prophylaxis), "spinal") for d in ((small,), (small, large)))
    assert (alone.decision, alone.missed_days) == ("hold", 2)
    assert (both.decision, both.missed_days, str(both.last_dose)) == ("ask", 3, "2026-03-14")
    assert both.question.startswith("the order has 2 dosage instructions that come to different answers")
    assert both.alternatives[:2] == (
        "one small tablet at noon; 1 time(s) every 1 d; oral: hold, N = 2, last dose Sun 2026-03-15",
        "one large tablet at night; 1 time(s) every 1 d; oral: hold, N = 3, last dose Sat 2026-03-14",
    )
    assert both.arithmetic[-1] == "the strictest of the dosage instructions counts"


def test_the_order_of_the_instructions_changes_no_day() -> None:
    small, large = daily("one small tablet at noon", "2.5"), daily("one large tablet at night", "5")
    prophylaxis = {"reasonCode": [{"text": "low-dose-prophylaxis"}]}
    found = row(order("apixaban", large, small, **prophylaxis), "spinal")
    assert (found.decision, found.missed_days, str(found.last_dose)) == ("ask", 3, "2026-03-14")


def test_drops_and_tablets_in_one_order_are_the_tablets() -> None:
    """By mouth an NSAID pauses, in the eye it continues: the pause is shown and asked about."""
    found = row(order("diclofenac", daily("one drop", route="ophthalmic"), daily("one tablet", "50")))
    assert (found.decision, found.missed_days) == ("ask", 1)
    assert any("ophthalmic: continue" in a for a in found.alternatives)


def test_what_cannot_be_dated_stands_before_every_date() -> None:
    """By mouth naltrexone pauses 3 days; a form that the rule does not know has no date: it is asked first."""
    oral, unclear = daily("one tablet", "50"), {"text": "as told by the clinic"}
    found = row(order("naltrexone", oral, unclear))
    assert (found.decision, found.missed_days) == ("ask", None)
    assert any("hold, N = 3" in a for a in found.alternatives)


def test_a_dose_that_was_given_counts_for_every_instruction() -> None:
    statement = {
        "resourceType": "MedicationStatement", "status": "active", "medicationCodeableConcept": {"text": "warfarin"},
        "effectivePeriod": {"end": "2026-03-15"}, "dosage": [daily("one tablet"), daily("half a tablet", "2.5")],
    }  # fmt: skip
    found = row(read([PATIENT, ("MedicationStatement/1", statement)]).medicines[0])
    assert found.decision == "ask" and "the hold cannot be met" in found.question
    assert "come to different answers" not in found.question


def test_two_weekdays_in_one_instruction_are_no_weekly_medicine() -> None:
    entry = order("methotrexate 2.5 mg", weekly("mon", "tue"))
    assert (entry.period_days, entry.weekday, entry.schedule) == (None, None, "each week on mon, tue")
    assert "weekday" not in row(order("warfarin", weekly("mon", "wed", "fri"))).question


def test_a_weekly_medicine_in_two_instructions_shows_both_weekdays() -> None:
    found = row(order("semaglutide injection", weekly("mon"), weekly("thu")), glp1="ASA2023_HOLD")
    assert (found.decision, str(found.last_dose)) == ("ask", "2026-03-05")
    assert [a.rpartition(", ")[2] for a in found.alternatives[:2]] == [
        "last dose Mon 2026-03-09",
        "last dose Thu 2026-03-05",
    ]


def test_the_sums_of_a_day_count_every_instruction() -> None:
    """Computed: 5 mg x 6 and 10 mg at night, 40 mg x 1.5 = 60 MME (CDC 2022 factors)."""
    fourth = {"text": "one tablet every 4 hours if needed", "doseAndRate": []}
    night = {"text": "two tablets at bedtime"}
    sums = daily_sums([order("oxycodone 5 mg", fourth, night)])
    assert sums.opioids.mme == 60
    assert sums.unread == ()
    twice = {"text": "one tablet", "timing": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}}
    apap = daily_sums([order("acetaminophen 500 mg", twice, {**twice, "text": "one tablet at noon"})])
    assert apap.acetaminophen.mg == 1000
