"""A prescriber who agrees with the proposed number agrees with its days: the clock limit, the weekday of a weekly dose.

Whether the answer stands on the server or went into the compile, the patient reads the same. Invented people only.
"""

from dataclasses import replace
from datetime import date, time

import pytest

from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.holds import last_dose_of, taken_inside
from waykeeper.plan.model import Answers, HoldAnswer, ItemState, Key, State
from waykeeper.record import read
from waykeeper.report.medicine_lines import medicine_line
from waykeeper.timing.model import Moment
from waykeeper.verbs import inputs

CLINIC = inputs.clinic_of("clinic-demo")
PATHWAY, _ = inputs.pathway_of("total-ankle-replacement", CLINIC)
PATIENT = {"resourceType": "Patient", "id": "p", "identifier": [{"system": "urn:x", "value": "P-1"}]}
SURGERY = Moment(date(2026, 3, 18), time(7, 30), CLINIC.zone)
THURSDAYS = {"timing": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "wk", "dayOfWeek": ["thu"]}}}


def planned(words, answer=None, dosage=None, kind="hold", **policies):
    """The one medicine of a plan, and the plan."""
    order = {"resourceType": "MedicationRequest", "id": "m", "status": "active", "intent": "order",
             "medicationCodeableConcept": {"text": words}, "dosageInstruction": [dosage or {}]}  # fmt: skip
    record = read([("Patient/p", PATIENT), ("MedicationRequest/m", order)], zone=CLINIC.zone)
    clinic = replace(CLINIC, policies={**CLINIC.policies, **policies})
    (key,) = [Key("hold", entry.key) for entry in record.medicines]
    answers = Answers(holds={Key(kind, key.item): answer}) if answer else None
    plan = compile_plan(PATHWAY, clinic, record, {"surgery": SURGERY}, answers=answers, anaesthesia="general")
    return plan, plan.item(key)


def both_ways(words, answer, dosage=None, **policies):
    """What the patient reads: the answer on the server beside the plan of before, and the plan compiled with it."""
    stored, item = planned(words, None, dosage, **policies)
    fresh, again = planned(words, answer, dosage, **policies)
    on_server = medicine_line(stored, item, State({item.key: ItemState(item.key, answer=answer)}))
    return on_server, medicine_line(fresh, again, State())


def test_a_clock_limit_stays_when_its_number_is_agreed_to():
    """24 h before 07:30, so at or before 07:30 of the day before (AHA/ACC 2024 for ACE inhibitors)."""
    stored, fresh = both_ways("lisinopril 10 mg", HoldAnswer("hold", 0))
    assert (fresh.last_dose, fresh.limit) == (date(2026, 3, 17), Moment(date(2026, 3, 17), time(7, 30), CLINIC.zone))
    assert stored == fresh


# N missed days: none on day -N .. -1, the last on day -(N + 1). Two: PAUSE, JAMA Intern Med 2019; five: CHEST 2022.
@pytest.mark.parametrize(("answer", "last"), [
    (HoldAnswer("hold", 0), date(2026, 3, 17)), (HoldAnswer("hold", 2), date(2026, 3, 15)),
    (HoldAnswer("hold", 5), date(2026, 3, 12)), (HoldAnswer("hold", None), None), (HoldAnswer("continue", None), None),
    (HoldAnswer("maybe", 5), None),
])  # fmt: skip
def test_the_last_dose_of_an_answer(answer, last):
    assert last_dose_of(answer, SURGERY.day) == last


# 24 h before 07:30 of the 18th (AHA/ACC 2024): a dose of the morning before counts by its hour, where that is known.
@pytest.mark.parametrize(("taken", "inside"), [
    (Moment(date(2026, 3, 17), time(7, 30), CLINIC.zone), False),
    (Moment(date(2026, 3, 17), time(7, 31), CLINIC.zone), True),
    (Moment(date(2026, 3, 17)), False), (Moment(date(2026, 3, 18)), True), (Moment(date(2026, 3, 19)), False),
    (None, False),
])  # fmt: skip
def test_a_dose_after_the_hour_of_the_last_one_lies_inside_the_pause(taken, inside):
    _, item = planned("lisinopril 10 mg")
    assert taken_inside(item.hold, taken, date(2026, 3, 17), SURGERY.day) is inside


@pytest.mark.parametrize("kind", ["hold", "medicine"])
def test_an_answer_stands_whatever_the_row_was_when_it_was_given(kind):
    """Where the rules now propose a pause and asked before, a person's decision is not lost."""
    _, item = planned("apixaban 5 mg", HoldAnswer("hold", 4), kind=kind)
    assert (item.key.kind, item.hold.answered.missed_days, item.hold.last_dose) == ("hold", 4, date(2026, 3, 13))


@pytest.mark.parametrize("kind", ["hold", "medicine"])
def test_who_only_says_why_it_is_taken_has_decided_nothing(kind):
    _, item = planned("apixaban 5 mg", HoldAnswer("indication", text="atrial fibrillation"), kind=kind)
    assert item.key.kind == "hold" and item.hold.answered is None


def test_another_number_has_no_clock_limit_of_the_proposal():
    stored, fresh = both_ways("lisinopril 10 mg", HoldAnswer("hold", 1))
    assert (fresh.last_dose, fresh.limit) == (date(2026, 3, 16), None)
    assert stored == fresh


def test_a_weekly_medicine_keeps_its_weekday():
    """Injected on Thursdays, N = 7 before Wed 2026-03-18: last Thu 2026-03-05, 13 days (ASA 2023 guidance)."""
    stored, fresh = both_ways("semaglutide 1 mg injection", HoldAnswer("hold", 7), THURSDAYS, glp1="ASA2023_HOLD")
    assert (fresh.told, fresh.last_dose, fresh.first_missed) == ("hold", date(2026, 3, 5), date(2026, 3, 6))
    assert stored == fresh


@pytest.mark.parametrize(("day", "late"), [(date(2026, 3, 11), False), (date(2026, 3, 12), True)])
def test_an_answer_is_late_from_the_first_dose_that_falls_out(day, late):
    """The dose of Thu 2026-03-12 is the first that falls out: an answer of the day before comes in time."""
    answer = HoldAnswer("hold", 7, on=day)
    lines = both_ways("semaglutide 1 mg injection", answer, THURSDAYS, glp1="ASA2023_HOLD")
    assert {line.too_late for line in lines} == {late}


def test_days_that_were_proposed_for_another_surgery_are_not_agreed_to():
    """The stored proposal is of an earlier day: its number is the same, its days are not those of this surgery."""
    plan, item = planned("semaglutide 1 mg injection", None, THURSDAYS, glp1="ASA2023_HOLD")
    moved = Moment(date(2026, 4, 15), time(7, 30), CLINIC.zone)
    anchors = tuple(replace(a, moment=moved) if a.name == "surgery" else a for a in plan.anchors)
    state = State({item.key: ItemState(item.key, answer=HoldAnswer("hold", 7))})
    assert medicine_line(replace(plan, anchors=anchors), item, state).told == "wait"
