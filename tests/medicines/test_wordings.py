"""The words of orders as people write them, in English and Spanish, each with the reading that is expected."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import load, row_of
from waykeeper.medicines.outcome import WEEKDAY_IN_DOUBT

WORDINGS = load("wordings.yaml")


def named(one: dict[str, Any]) -> str:
    return f"{one['take']}: {one['text']}"


@pytest.mark.parametrize("one", WORDINGS["weekdays"], ids=named)
def test_a_weekday_in_the_words_of_an_order(one: dict[str, Any]) -> None:
    row = row_of({"words": one["take"], "dose_text": one["text"], "policies": {"glp1": "ASA2023_HOLD"}})
    assert (str(row.last_dose).lower(), str(row.first_missed).lower()) == (one["last"], one["first"])
    assert (WEEKDAY_IN_DOUBT in row.question) is (one["asks"] == "yes")


def test_there_are_many_wordings() -> None:
    assert sum(len(listed) for listed in WORDINGS.values() if isinstance(listed, list)) >= 40
