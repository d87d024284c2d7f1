"""Orders that say that nothing is given: forbidden, only proposed, made in error. FHIR R4, MedicationRequest."""

from __future__ import annotations

from datetime import date

import pytest

from medicines.case_files import CALENDAR, entry, moment, row_of
from waykeeper.medicines import MedicineRow, daily_sums, late, page, page_json, propose
from waykeeper.plan.model import HoldAnswer
from waykeeper.record import read
from waykeeper.record.model import Kidney, MedicineEntry

SURGERY = moment("2026-03-18T07:30")
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})


def entries(*orders: dict[str, object]) -> tuple[MedicineEntry, ...]:
    made = [
        {"resourceType": "MedicationRequest", "id": str(n), "status": "active", "intent": "order", **o}
        for n, o in enumerate(orders)
    ]
    return read([PATIENT, *((f"MedicationRequest/{m['id']}", m) for m in made)]).medicines


def rows(*orders: dict[str, object], **more: object) -> tuple[MedicineRow, ...]:
    return propose(entries(*orders), SURGERY, Kidney(), "general", {}, calendar=CALENDAR, **more)  # type: ignore[arg-type]


def named(words: str) -> dict[str, object]:
    return {"medicationCodeableConcept": {"text": words}}


@pytest.mark.parametrize("status", ["active", "on-hold", "completed", "stopped", "unknown", "draft"])
def test_an_order_not_to_give_it_is_never_a_hold(status: str) -> None:
    """FHIR R4 MedicationRequest.doNotPerform is a modifier: the request is a prohibition."""
    (row,) = rows({**named("apixaban 5 mg"), "doNotPerform": True, "status": status})
    assert (row.decision, row.recognised, row.stops, row.last_dose) == ("ask", False, False, None)
    assert "the order says that it is not to be given" in row.question
    assert row.question.startswith("needs review, the prescriber must decide")
    assert row.ingredients == ("apixaban",)
    assert [f.code for f in row.findings] == ["WKM204"]


def test_an_order_that_may_be_performed_is_an_order() -> None:
    (row,) = rows({**named("apixaban 5 mg"), "doNotPerform": False})
    assert (row.decision, row.missed_days, row.findings) == ("hold", 2, ())


def test_a_forbidden_medicine_counts_in_no_sum_and_no_pair() -> None:
    opioid = {**named("oxycodone 5 mg every 6 hours"), "doNotPerform": True}
    got = rows(opioid, named("lorazepam 1 mg daily"))
    assert [r.question for r in got if r.words.startswith("lorazepam")] == [""]
    assert daily_sums(entries(opioid)).opioids.lines == ()


@pytest.mark.parametrize("intent", ["proposal", "plan", "option", "something"])
def test_what_nobody_has_ordered_is_asked_about(intent: str) -> None:
    """FHIR R4 request-intent: proposal, plan and option are no orders."""
    (row,) = rows({**named("metoprolol 50 mg"), "intent": intent})
    assert row.decision == "ask"
    assert f"the list has it as {intent} only, which is no order: is it taken?" in row.question
    made = page((row,), entries({**named("metoprolol 50 mg"), "intent": intent}), surgery=SURGERY)
    assert ("intent", intent) in made.lines[0].reading


@pytest.mark.parametrize("intent", ["order", "original-order", "instance-order", "reflex-order", "filler-order"])
def test_these_are_orders(intent: str) -> None:
    (row,) = rows({**named("metoprolol 50 mg"), "intent": intent})
    assert (row.decision, row.question) == ("continue", "")


def test_a_forbidden_order_is_read_as_such() -> None:
    order = {**named("apixaban 5 mg"), "doNotPerform": True}
    made = page(rows(order), entries(order), surgery=SURGERY)
    assert ("doNotPerform", "yes, not to be given") in made.lines[0].reading


def test_an_entry_made_in_error_stands_on_the_page_and_asks_nothing() -> None:
    orders = ({**named("warfarin 5 mg"), "status": "entered-in-error"}, named("metoprolol 50 mg"), named("zzzmab"))
    got = rows(*orders)
    assert len(got) == 3
    row = got[0]
    assert (row.decision, row.counted, row.recognised) == ("entered in error", False, True)
    assert (row.question, row.restart, row.restart_from, row.due, row.stops) == ("", "", None, None, False)
    made = page(got, entries(*orders), surgery=SURGERY, as_of=date(2026, 3, 17))
    assert [line.row.words for line in made.lines] == ["zzzmab", "metoprolol 50 mg", "warfarin 5 mg"]
    assert [r["counted"] for r in page_json(made)["rows"]] == [False, True, True]


def test_what_lasts_for_weeks_asks_for_no_last_dose_where_it_was_an_error() -> None:
    (row,) = rows({**named("adalimumab 40 mg"), "status": "entered-in-error"})
    assert (row.decision, row.question) == ("entered in error", "")
    (ended,) = rows({**named("adalimumab 40 mg"), "status": "stopped"})
    assert (ended.decision, bool(ended.question)) == ("already stopped", True)


@pytest.mark.parametrize(("day", "decision"), [("2026-03-16", "ask"), ("2026-03-01", "already stopped")])
def test_a_dose_inside_the_hold_of_an_order_that_has_ended_is_told(day: str, decision: str) -> None:
    """Warfarin: five days without a dose (PERIOP guideline, Chest 2022); surgery is on 2026-03-18."""
    taken = {"resourceType": "MedicationStatement", "status": "completed", "effectivePeriod": {"end": day}}
    (row,) = rows({**named("warfarin 5 mg"), **taken})
    assert row.decision == decision
    assert ("inside it" in row.question) == (decision == "ask")
    assert "the list says completed" in row.notes


def test_an_answer_does_not_bring_an_error_back() -> None:
    order = {**named("warfarin 5 mg"), "status": "entered-in-error"}
    (row,) = rows(order, answers={"MedicationRequest/0": HoldAnswer("hold", 5)})
    assert (row.decision, row.stops, row.answered) == ("entered in error", False, False)


def test_an_error_makes_no_pair_and_no_double() -> None:
    error = {**named("warfarin 5 mg"), "status": "entered-in-error"}
    got = rows(error, named("warfarin 5 mg"), named("aspirin 81 mg"))
    assert got[0].findings == ()
    assert all("2 times" not in r.question for r in got)


@pytest.mark.parametrize(("status", "said"), [("active", True), ("on-hold", False)])
def test_only_a_last_dose_that_stands_can_be_late(status: str, said: bool) -> None:
    """What is paused already has no last dose to come; it asks since when."""
    row = row_of({"words": "warfarin 5 mg", "status": status})
    assert bool(late(row, date(2026, 3, 17), SURGERY.day)) is said
    assert (row.decision, "on hold: since when" in row.question) == (("hold", False) if said else ("ask", True))


def test_a_double_that_is_forbidden_is_no_second_dose() -> None:
    got = propose(
        [entry({"words": "warfarin 5 mg", "forbidden": "true"}, "a"), entry({"words": "warfarin 5 mg"}, "b")],
        SURGERY, Kidney(), "general", {}, calendar=CALENDAR,
    )  # fmt: skip
    assert "2 times" not in got[1].question


@pytest.mark.parametrize("words", [
    "insulin aspart 70/30 pen 20 units bid", "insulin lispro 75-25 pen", "insulin aspart 30/70 pen",
    "insulin lispro 50/50 pen injector", "NPH insulin 70/30", "insulin isophane human 70/30 20 units",
    "insulin degludec / insulin aspart 70/30 pen",
])  # fmt: skip
def test_a_premixed_insulin_is_never_left_out_as_one_for_meals(words: str) -> None:
    """UKCPA perioperative handbook, premixed insulins: continue, halve the usual morning dose (monograph read)."""
    row = row_of({"words": words})
    assert (row.decision, row.recognised) == ("ask", False) and "premixed insulin" in row.question
    assert "no mealtime dose" not in " ".join(row.notes)
    assert [f.code for f in row.findings] == ["WKM202"]


def test_a_mixture_may_stand_in_the_instructions() -> None:
    row = row_of({"words": "insulin lispro pen", "dose_text": "mix 75/25, 20 units twice daily"})
    assert not row.recognised and "insulin lispro" in row.ingredients


@pytest.mark.parametrize(("words", "display"), [
    ("insulin aspart pen", "insulin aspart protamine, human 70 UNT/ML / insulin aspart, human 30 UNT/ML Pen Injector"),
    ("insulin nph", "insulin isophane, human 70 UNT/ML / insulin, regular, human 30 UNT/ML Injectable Suspension"),
])  # fmt: skip
def test_a_mixture_may_stand_in_the_display_of_a_code(words: str, display: str) -> None:
    """Names as RxNorm writes them (NLM, from memory)."""
    row = row_of({"words": words, "code": "99999999", "display": display})
    assert (row.decision, row.recognised) == ("ask", False) and "premixed insulin" in row.question


@pytest.mark.parametrize("text", ["", "20-30 units", "10 units with meals", "130/70", "mix gently", "since 2024-70-30"])
def test_an_insulin_that_is_no_mixture_keeps_its_rule(text: str) -> None:
    row = row_of({"words": "insulin lispro 100 units/mL pen", "dose_text": text})
    assert (row.decision, row.recognised) == ("adjust", True)
    assert row_of({"words": "sacubitril/valsartan 50/50", "dose_text": text}).recognised
