"""What a Medication lists as its ingredients counts beside its name: none is lost (hidden in a combination tablet)."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import MedicineRow, daily_sums, propose
from waykeeper.medicines.answers import named
from waykeeper.plan.model import HoldAnswer
from waykeeper.record import read
from waykeeper.record.model import Kidney, MedicineEntry

SURGERY = moment("2026-03-18T07:30")
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"


def listed(name: str | dict[str, Any], *ingredients: str | dict[str, Any], **order: Any) -> MedicineEntry:
    """An order whose contained Medication has a name and lists ingredients."""
    parts = [{"itemCodeableConcept": {"text": i}} if isinstance(i, str) else i for i in ingredients]
    code = {"text": name} if isinstance(name, str) else name
    medication = {"resourceType": "Medication", "id": "m", **({"code": code} if code else {}), "ingredient": parts}
    resource = {
        "resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
        "contained": [medication], "medicationReference": {"reference": "#m"}, **order,
    }  # fmt: skip
    return read([PATIENT, ("MedicationRequest/1", resource)]).medicines[0]


def rows(*entries: MedicineEntry) -> tuple[MedicineRow, ...]:
    return propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR)


def test_a_trade_name_is_known_by_its_ingredients() -> None:
    """CHEST 2022: warfarin pauses 5 days."""
    (row,) = rows(listed("Jentavix", "warfarin sodium"))
    assert (row.recognised, row.ingredients, row.decision, row.missed_days) == (True, ("warfarin",), "hold", 5)
    assert "recognised by its ingredients: warfarin" in row.notes
    (both,) = rows(listed("Trevalin Plus", "aspirin", "clopidogrel"))
    assert both.ingredients == ("aspirin", "clopidogrel") and both.missed_days == 5


def test_an_ingredient_that_the_name_does_not_say_is_held_and_asked_about() -> None:
    """FDA label change of March 2020: dapagliflozin pauses 3 days; metformin alone would stop on the day itself."""
    (row,) = rows(listed("metformin 1000 mg tablet", "metformin", "dapagliflozin"))
    assert (row.ingredients, row.missed_days, str(row.last_dose)) == (("metformin", "dapagliflozin"), 3, "2026-03-14")
    assert row.decision == "ask"
    assert row.question.startswith("the name says metformin only, its ingredients metformin and dapagliflozin")


@pytest.mark.parametrize(
    "name", ["ibuprofen", {"coding": [{"system": RXNORM, "code": "5640", "display": "ibuprofen"}]}]
)
def test_a_hidden_opioid_is_seen_by_sums_and_pairs(name: str | dict[str, Any]) -> None:
    entry = listed(name, "ibuprofen", "oxycodone")
    assert rows(entry)[0].ingredients == ("ibuprofen", "oxycodone")
    assert daily_sums([entry]).unread == ("ibuprofen: how much oxycodone and how often?",)


def test_where_name_and_ingredients_differ_nobody_chooses() -> None:
    for name, parts in (("apixaban 5 mg", ["warfarin"]), ("aspirin / clopidogrel", ["aspirin", "prasugrel"])):
        (row,) = rows(listed(name, *parts))
        assert (row.recognised, row.decision, row.last_dose) == (False, "ask", None)
        assert [f.code for f in row.findings] == ["WKM201"]
        assert row.longest_days is not None


def test_an_ingredient_that_no_rule_knows_is_named_and_never_dropped() -> None:
    for name, recognised in (("Coldaway", False), ("acetaminophen 500 mg", True)):
        (row,) = rows(listed(name, "acetaminophen", "zorbutaline"))
        assert (row.recognised, row.decision) == (recognised, "ask")
        assert "its ingredients name zorbutaline beside acetaminophen, which is not recognised" in row.question
        assert [f.code for f in row.findings] == ([] if recognised else ["WKM202"])
    (row,) = rows(listed("Coldaway", {"itemReference": {"reference": "Substance/9"}}))
    assert "its ingredients name one without a name" in row.question


def test_what_is_not_active_is_no_medicine_and_what_a_reference_displays_is_one() -> None:
    starch = {"itemCodeableConcept": {"text": "maize starch"}, "isActive": False}
    (row,) = rows(listed("Jentavix", {"itemReference": {"display": "warfarin"}}, starch))
    assert (row.ingredients, row.missed_days) == (("warfarin",), 5)


def test_a_substance_within_the_order_is_read_by_its_code() -> None:
    coded = {"coding": [{"system": RXNORM, "code": "11289"}]}
    substance = {"resourceType": "Substance", "id": "s", "code": coded}
    medication = {
        "resourceType": "Medication", "id": "m", "code": {"text": "Jentavix"},
        "ingredient": [{"itemReference": {"reference": "#s"}}],
    }  # fmt: skip
    entry = listed("Jentavix", "x", contained=[medication, substance])
    assert rows(entry)[0].ingredients == ("warfarin",)


def test_the_same_ingredients_change_nothing() -> None:
    plain, same = (
        rows(listed("acetaminophen 500 mg tablet")),
        rows(listed("acetaminophen 500 mg tablet", "acetaminophen")),
    )
    assert plain[0] == same[0]
    (fewer,) = rows(listed("losartan / hydrochlorothiazide 50/12.5 mg", "losartan"))
    assert fewer.ingredients == ("losartan", "hydrochlorothiazide")


def test_a_name_that_turns_or_looks_like_another_still_asks() -> None:
    for name, asked in (("Jentavix stopped", "not taken"), ("apixabann", "did you mean apixaban")):
        (row,) = rows(listed(name, "warfarin"))
        assert (row.recognised, row.decision) == (False, "ask") and asked in row.question


def test_an_answer_about_a_trade_name_is_none_about_other_ingredients_under_it() -> None:
    """An answer belongs to the medicine that it was given for, and the text alone does not say which that is."""
    was, same, other = (
        listed("Jentavix", "warfarin"),
        listed("Jentavix", "warfarin sodium"),
        listed("Jentavix", "apixaban"),
    )
    answer = HoldAnswer("continue", by="Dr. Fenwick", medicine=named(was))
    for now, stands in ((was, True), (same, True), (other, False)):
        (row,) = propose([now], SURGERY, Kidney(), "general", {}, calendar=CALENDAR, answers={now.key: answer})
        assert row.answered == stands
    assert "changed from 'Jentavix, of warfarin' to 'Jentavix, of apixaban' since the answer" in row.question
    assert row.missed_days == 2


SNOMED = "http://snomed.info/sct"


def snomed(code: str, display: str = "") -> dict[str, Any]:
    return {
        "itemCodeableConcept": {
            "coding": [{"system": SNOMED, "code": code, **({"display": display} if display else {})}]
        }
    }


@pytest.mark.parametrize(
    "parts",
    [
        (snomed("698090000", "Apixaban (substance)"),),
        (snomed("698090000", "Product containing apixaban (medicinal product)"),),
        (snomed("698090000"),),
        ("apixaban", "lactose monohydrate"),
        ("apixaban", snomed("0", "Magnesium stearate (substance)")),
        ({"itemReference": {"reference": "Substance/9"}},),
        ({"strength": {"numerator": {"value": 5}}},),
    ],
)
def test_ingredients_that_say_nothing_else_leave_the_rule_of_the_name_alone(parts: tuple[Any, ...]) -> None:
    """PAUSE, JAMA Intern Med 2019: apixaban keeps its last dose three days before, and nothing is asked beside it."""
    (plain,), (row,) = rows(listed("Apixaban 5 mg tablet")), rows(listed("Apixaban 5 mg tablet", *parts))
    assert (row.decision, row.last_dose, row.question) == (plain.decision, plain.last_dose, plain.question)
    assert row.recognised and row.last_dose is not None


@pytest.mark.parametrize(
    ("name", "parts", "days"),
    [
        ("Metoprolol tartrate 25 mg tablet", (snomed("372826007"),), None),
        ("warfarin 5 mg", ({"itemReference": {"reference": "Substance/9"}, "strength": {}},), 5),
        ("Clopidogrel 75 mg", ("clopidogrel hydrogen sulfate",), 5),
    ],
)
def test_a_known_name_stays_what_it_is(name: str, parts: tuple[Any, ...], days: int | None) -> None:
    (plain,), (row,) = rows(listed(name)), rows(listed(name, *parts))
    assert (row.decision, row.missed_days, row.question) == (plain.decision, days, plain.question)


def test_an_unknown_ingredient_beside_a_known_name_asks_and_keeps_its_last_dose() -> None:
    (plain,), (row,) = rows(listed("Apixaban 5 mg")), rows(listed("Apixaban 5 mg", "apixaban", "zorbutaline"))
    assert (row.recognised, row.decision, row.last_dose) == (True, "ask", plain.last_dose)
    assert row.question.startswith("its ingredients name zorbutaline beside apixaban")


def test_an_ingredient_of_another_code_than_its_words_is_never_read_by_the_words_alone() -> None:
    other = {
        "itemCodeableConcept": {"coding": [{"system": RXNORM, "code": "11289", "display": "apixaban (substance)"}]}
    }
    (row,) = rows(listed("Jentavix", other))
    assert (row.recognised, row.decision) == (False, "ask")
