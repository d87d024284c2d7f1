"""The words of orders as people write them, in English and Spanish, each with the reading that is expected."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, load, moment, row_of
from waykeeper.medicines import propose
from waykeeper.medicines.dosing import DAYS_DIFFER, INTERVAL_UNREAD, NEXT_UNKNOWN, WEEKDAY_UNKNOWN
from waykeeper.medicines.doubts import TOO_OFTEN
from waykeeper.medicines.outcome import WEEKDAY_IN_DOUBT
from waykeeper.plan.model import HoldAnswer
from waykeeper.record.model import Kidney

WORDINGS = load("wordings.yaml")


HOUR = "at what time of day is it taken?"


def named(one: dict[str, Any]) -> str:
    return " ".join((one.get("take", ""), one["text"], one.get("surgery", ""), *one.get("hours", ())))


@pytest.mark.parametrize("one", WORDINGS["weekdays"], ids=named)
def test_a_weekday_in_the_words_of_an_order(one: dict[str, Any]) -> None:
    row = row_of({"words": one["take"], "dose_text": one["text"], "policies": {"glp1": "ASA2023_HOLD"}})
    assert (str(row.last_dose).lower(), str(row.first_missed).lower()) == (one["last"], one["first"])
    assert (WEEKDAY_IN_DOUBT in row.question) is (one["asks"] == "yes")


@pytest.mark.parametrize("text", WORDINGS["oftener"])
def test_a_weekly_medicine_that_is_ordered_every_few_days(text: str) -> None:
    """Whichever way an abbreviation is read, it is more than one dose a week: nobody takes it for the weekly one."""
    for words in ("methotrexate 2.5 mg tablet", "semaglutide 1 mg pen"):
        row = row_of({"words": words, "dose_text": text, "policies": {"glp1": "ASA2023_HOLD"}})
        assert (row.decision, row.recognised, row.last_dose) == ("ask", False, None)
        assert TOO_OFTEN in row.question


@pytest.mark.parametrize("text", WORDINGS["weekly"])
def test_once_a_week_in_other_words(text: str) -> None:
    """A daily form that is ordered weekly follows the week's rule, so the words were read (ASA 2023-06-29, N = 7)."""
    row = row_of({"words": "exenatide injection", "dose_text": text, "policies": {"glp1": "ASA2023_HOLD"}})
    assert (row.missed_days, str(row.last_dose), WEEKDAY_UNKNOWN in row.question) == (7, "2026-03-10", True)


@pytest.mark.parametrize("one", WORDINGS["days"], ids=named)
def test_the_day_of_what_is_not_taken_every_day(one: dict[str, Any]) -> None:
    row = row_of({"words": one["take"], "dose_text": one["text"], "policies": {"glp1": "ASA2023_HOLD"}})
    asked = {"weekday": WEEKDAY_UNKNOWN in row.question, "next": NEXT_UNKNOWN in row.question}
    assert asked == {name: name == one["asks"] for name in asked}
    assert str(row.last_dose) == one["last"]


@pytest.mark.parametrize("one", WORDINGS["cycles"], ids=named)
def test_the_interval_of_a_cycle(one: dict[str, Any]) -> None:
    """What a text says of the interval and nobody could read is asked, also where the last dose is known."""
    for more in ({}, {"last_taken": "2026-02-26"}):
        row = row_of({"words": one["take"], "dose_text": one["text"], **more})
        assert str(row.last_dose).lower() == one["last"]
        assert (row.decision == "ask" and INTERVAL_UNREAD in row.question) is (one["unread"] == "yes")


@pytest.mark.parametrize("one", WORDINGS["differ"], ids=named)
def test_a_text_that_contradicts_the_timing(one: dict[str, Any]) -> None:
    """Neither is chosen without a word: of a Thursday dose that the text has on Monday the last day was Thursday's."""
    given = {name: one[name] for name in ("period", "weekday") if name in one}
    for more in ({}, {"last_taken": "2026-02-12"}):
        row = row_of({
            "words": one["take"], "dose_text": one["text"], "policies": {"glp1": "ASA2023_HOLD"}, **given, **more,
        })  # fmt: skip
        assert (DAYS_DIFFER in row.question) is (one["asks"] == "yes")
        assert not (one["asks"] == "yes" and row.window) or row.decision == "ask"


@pytest.mark.parametrize("one", WORDINGS["agreed"], ids=named)
def test_who_agrees_to_the_number_agrees_to_the_day(one: dict[str, Any]) -> None:
    given = {"words": one["take"], "dose_text": one["text"], "policies": {"glp1": "ASA2023_HOLD"}}
    proposed = row_of(given)
    (entered,) = [entry(given)]
    (agreed,) = propose(
        [entered], moment("2026-03-18T07:30"), Kidney(), "general", {"glp1": "ASA2023_HOLD"}, calendar=CALENDAR,
        answers={entered.key: HoldAnswer("hold", missed_days=int(one["n"]))},
    )  # fmt: skip
    for row in (proposed, agreed):
        shown = (str(row.missed_days), str(row.last_dose), str(row.first_missed))
        assert shown == (one["n"], one["last"], one["first"])
    assert agreed.answered


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
    assert sum(len(listed) for listed in WORDINGS.values() if isinstance(listed, list)) >= 200
