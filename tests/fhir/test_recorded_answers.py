"""What a prescriber's answer says is read as it is meant, or asks: a slip never passes for a decision."""

import pytest

from waykeeper.fhir.names import TASK_CODES
from waykeeper.fhir.recorded import _snoozed, hold_answer


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
