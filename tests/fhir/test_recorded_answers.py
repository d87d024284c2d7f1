"""What a prescriber's answer says is read as it is meant, or asks: a slip never passes for a decision."""

from decimal import Decimal

import pytest

from waykeeper.fhir.extensions import amount, encode
from waykeeper.fhir.names import HOLD, TASK_CODES
from waykeeper.fhir.recorded import _snoozed, hold_answer, item_state
from waykeeper.medicines import NamedMedicine
from waykeeper.pathway.model import Coding
from waykeeper.plan.answers import digest
from waykeeper.plan.model import Answers, HoldAnswer, Key


def output(code, **value):
    """An output of a Task with a code of ours."""
    return {"type": {"coding": [{"system": TASK_CODES, "code": code}]}, **value}


def answered(*outputs):
    """Decision and days of a confirming Task with these outputs."""
    task = {"resourceType": "Task", "status": "completed", "output": list(outputs)}
    found = hold_answer({"confirm": ("Task/1", task)}, "America/Chicago")
    return found.decision, found.missed_days


@pytest.mark.parametrize(
    ("value", "read"),
    [
        ({"valueInteger": 5}, ("hold", 5)),
        ({"valueString": "5"}, ("hold", 5)),
        ({"valueQuantity": {"value": 5, "code": "d"}}, ("hold", 5)),
        ({"valueInteger": 120}, ("hold", 120)),
        ({"valueInteger": 121}, ("hold 121 days", None)),
        ({"valueInteger": -5}, ("hold -5 days", None)),
        ({"valueString": "five"}, ("hold five days", None)),
    ],
)
def test_a_number_of_days_is_one_between_nothing_and_what_no_rule_exceeds(value, read):
    assert answered(output("missed-days", **value)) == read


@pytest.mark.parametrize(
    ("value", "decision"),
    [
        ({"valueString": "Continue "}, "continue"),
        ({"valueString": "maybe"}, "maybe"),
        ({"valueCodeableConcept": {"coding": [{"code": "hold"}]}}, "hold"),
        ({"valueCodeableConcept": {"text": "stop"}}, "stop"),
    ],
)
def test_a_decision_is_read_whatever_its_type_and_case(value, decision):
    assert answered(output("decision", **value))[0] == decision


@pytest.mark.parametrize(("said", "day"), [("2026-04-01", "2026-04-01"), ("2026-06", None), ("next week", None)])
def test_what_is_no_day_puts_nothing_off(said, day):
    found = _snoozed({"resourceType": "Task", "output": [output("snoozed-until", valueString=said)]})
    assert (str(found) if found else None) == day


RXCUI = Coding("http://www.nlm.nih.gov/research/umls/rxnorm", "1364430", "apixaban")


def holder(kind, *pairs):
    return {"resourceType": kind, "extension": [encode(HOLD, pairs)]}


@pytest.mark.parametrize(
    ("parts", "medicine"),
    [
        ({"hold": holder("MedicationRequest", ("medicine", "apixaban"), ("code", (RXCUI,)), ("doseMg", "2.5"))},
         NamedMedicine("apixaban", (RXCUI,), Decimal("2.5"))),
        ({"review": holder("Task", ("medicine", "zzzmab"))}, NamedMedicine("zzzmab")),
        ({"hold": holder("MedicationRequest", ("decision", "hold"))}, None),  # written before that was told
        ({"hold": {"resourceType": "MedicationRequest"}}, None),  # a server that lost our extensions
        ({}, None),
    ],
)  # fmt: skip
def test_an_answer_says_which_medicine_our_resource_named(parts, medicine):
    """From the round that was answered; it is no part of the answer, so answers and digests of before stay equal."""
    confirm = {"resourceType": "Task", "status": "completed", "output": [output("decision", valueString="continue")]}
    held = {part: (f"X/{part}", r) for part, r in parts.items()} | {"confirm": ("Task/1", confirm)}
    found = hold_answer(held, "America/Chicago")
    assert found.medicine == medicine
    assert found == HoldAnswer("continue")
    assert digest(Answers(holds={Key("hold", "row"): found})) == "a4d53c195938"  # as it was before answers said so


@pytest.mark.parametrize(("text", "read"), [("2.5", Decimal("2.5")), ("", None), ("two", None), ("NaN", None)])
def test_a_number_written_as_text_is_one_or_none(text, read):
    assert amount(text) == read


def test_an_identifier_without_a_value_names_nothing_and_stops_nothing():
    """FHIR R4 Identifier.value is 0..1."""
    told = [{"system": "urn:orders", "value": "7"}, {"system": "urn:orders"}, {"value": "8"}]
    task = {"resourceType": "Task", "status": "requested", "identifier": told}
    assert item_state(Key("task", "call"), {1: {"task": ("Task/1", task)}}, (), "UTC").identifiers == (
        "urn:orders|7", "|8",
    )  # fmt: skip


@pytest.mark.parametrize(("owner", "shown"), [
    ({"display": "Nurse Kim"}, "Nurse Kim"), ({"identifier": {"value": "N-7"}}, "N-7"),
    ({"display": "Nurse Kim", "identifier": {"value": "N-7"}}, "Nurse Kim"), ({"reference": "Practitioner/7"}, ""),
])  # fmt: skip
def test_who_has_a_task_is_called_by_the_name_else_by_the_number(owner, shown):
    """FHIR R4 Reference.display: "plain text narrative that identifies the resource in addition to the reference"."""
    task = {"resourceType": "Task", "status": "accepted", "owner": owner}
    found = item_state(Key("task", "call"), {1: {"task": ("Task/1", task)}}, (), "UTC")
    assert (found.owner, found.by) == (shown, shown)
