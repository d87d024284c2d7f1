"""The words of orders as people write them, in English and Spanish, each with the reading that is expected."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import load, row_of
from waykeeper.medicines.outcome import WEEKDAY_IN_DOUBT

WORDINGS = load("wordings.yaml")


HOUR = "at what time of day is it taken?"


def named(one: dict[str, Any]) -> str:
    return " ".join((one.get("take", ""), one["text"], one.get("surgery", ""), *one.get("hours", ())))


@pytest.mark.parametrize("one", WORDINGS["weekdays"], ids=named)
def test_a_weekday_in_the_words_of_an_order(one: dict[str, Any]) -> None:
    row = row_of({"words": one["take"], "dose_text": one["text"], "policies": {"glp1": "ASA2023_HOLD"}})
    assert (str(row.last_dose).lower(), str(row.first_missed).lower()) == (one["last"], one["first"])
    assert (WEEKDAY_IN_DOUBT in row.question) is (one["asks"] == "yes")


@pytest.mark.parametrize("one", WORDINGS["hours"], ids=named)
def test_an_hour_in_the_words_of_an_order(one: dict[str, Any]) -> None:
    """The limit is 24 h before a surgery on Wed 2026-03-18: on Tue 2026-03-17 at the same hour."""
    row = row_of({
        "words": one.get("take", "lisinopril 10 mg tablet"), "dose_text": one["text"], "hours": one.get("hours", ()),
        "surgery": f"2026-03-18T{one['surgery']}", "indication": ["atrial fibrillation"], "crcl": "90",
        **({"times_a_week": one["times_a_week"]} if "times_a_week" in one else {}),
    })  # fmt: skip
    assert row.last_limit is not None and row.last_limit.day.isoformat() == "2026-03-17"
    assert (str(row.last_dose), HOUR in row.question) == (one["last"], one["asks"] == "yes")


@pytest.mark.parametrize("one", WORDINGS["brackets"], ids=lambda one: one["text"])
def test_what_stands_in_the_brackets_of_a_branded_product(one: dict[str, Any]) -> None:
    name = f"apixaban 5 MG Oral Tablet [{one['text']}]"
    row = row_of({"words": name, "code": "1364447", "display": name})
    assert (row.recognised and f"sold as {one['text']}" in row.notes) is (one["brand"] == "yes")
    assert (row.decision == "ask" and not row.recognised) is (one["brand"] == "no")


def test_there_are_many_wordings() -> None:
    assert sum(len(listed) for listed in WORDINGS.values() if isinstance(listed, list)) >= 90
