"""The words of orders as people write them, in English and Spanish, each with the reading that is expected."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, load, moment, row_of
from waykeeper.medicines import propose
from waykeeper.medicines.dosing import (
    DAYS_DIFFER,
    INTERVAL_UNREAD,
    NEXT_UNKNOWN,
    WEEKDAY_UNKNOWN,
    oftener_than_weekly,
    with_dosing,
)
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
        timing = {name: one[name] for name in ("period", "schedule") if name in one}
        row = row_of({"words": one["take"], "dose_text": one["text"], **timing, **more})
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


@pytest.mark.parametrize("one", WORDINGS["both"], ids=named)
def test_of_two_readings_the_earlier_last_dose_counts(one: dict[str, Any]) -> None:
    given = {name: one[name] for name in ("period", "weekday", "schedule") if name in one}
    row = row_of({"words": one["take"], "dose_text": one["text"], "policies": {"glp1": "ASA2023_HOLD"}, **given})
    assert (str(row.last_dose).lower(), str(row.first_missed).lower()) == (one["last"], one["first"])
    beside = [a for a in row.alternatives if a.startswith(("by its text", "by its timing"))]
    assert beside == ([] if one["beside"] == "none" else [one["beside"]])
    assert DAYS_DIFFER in row.question


@pytest.mark.parametrize(
    "given", [{"text": "every 2 weeks", "period": "21"}, {"text": "every 3 weeks", "period": "14"}]
)
def test_where_one_of_two_readings_has_no_days_it_asks(given: dict[str, str]) -> None:
    given = {"words": "certolizumab injection", "dose_text": given["text"], "period": given["period"]}
    row = row_of({**given, "last_taken": "2026-03-01"})
    assert (row.decision, str(row.last_dose)) == ("ask", "2026-03-03")


def test_what_the_reading_without_days_asks_is_asked_beside_the_days_of_the_other() -> None:
    given = {"words": "exenatide injection", "dose_text": "weekly", "policies": {"glp1": "ASA2023_HOLD"}}
    row = row_of({**given, "period": "14"})
    assert (row.decision, row.missed_days, str(row.last_dose)) == ("ask", 7, "2026-03-10")
    assert "weekly or daily form?" in row.question
    assert "weekly or daily form?" not in row_of({**given, "period": "1"}).question


def test_of_two_readings_that_both_ask_the_stricter_is_heard() -> None:
    given = {"words": "infliximab infusion", "dose_text": "every 8 weeks", "period": "28", "last_taken": "2026-02-01"}
    row = row_of(given)
    assert "too recent for this surgery day" in row.question
    assert "before the window" not in row.question
    assert "before the window" in row_of({**given, "dose_text": ""}).question


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("cada dos semanas", 14), ("cada tres semanas", 21), ("cada cuatro semanas", 28), ("cada seis semanas", 42),
        ("cada ocho semanas", 56), ("cada doce semanas", 84), ("every two weeks", 14), ("every three weeks", 21),
        ("each four weeks", 28), ("every six weeks", 42), ("every eight weeks", 56), ("every twelve weeks", 84),
        ("every 21 days", 21), ("cada 42 días", 42), ("q48h", 2), ("every 12 hours", 1), ("every 72 hours", 3),
        ("every 168 hours", 7), ("every 5 days", None), ("every 3 weeks, then every 6 weeks", None),
        ("every 2 weeks, labs monthly", 14),
    ],
)  # fmt: skip
def test_the_days_between_two_doses(text: str, days: int | None) -> None:
    assert with_dosing(entry({"words": "x", "dose_text": text}), "possible").period_days == days


@pytest.mark.parametrize("text", ["every 2 weeks", "INR every 2 weeks", "weekly on Mondays", "daily"])
def test_nothing_is_read_from_a_text_of_a_medicine_whose_days_do_not_hang_on_it(text: str) -> None:
    given = entry({"words": "x", "dose_text": text})
    assert with_dosing(given, "no") == given


@pytest.mark.parametrize("text", ["every 168 hours", "every 170 hours"])
def test_a_week_in_hours_is_no_more_often_than_weekly(text: str) -> None:
    assert not oftener_than_weekly(entry({"words": "semaglutide 1 mg pen", "dose_text": text}))
    assert oftener_than_weekly(entry({"words": "semaglutide 1 mg pen", "dose_text": "every 167 hours"}))


def test_several_doses_a_week_by_the_timing_ask_for_no_next_dose() -> None:
    given = {"words": "estradiol 0.1 mg/24 hr patch", "dose_text": "change it, renew monthly"}
    assert NEXT_UNKNOWN in row_of(given).question
    assert NEXT_UNKNOWN not in row_of({**given, "times_a_week": "2"}).question


@pytest.mark.parametrize(
    ("text", "period", "asked"),
    [("", "14", NEXT_UNKNOWN), ("", "7", WEEKDAY_UNKNOWN), ("packs every 2 weeks", "14", NEXT_UNKNOWN)],
)
def test_the_interval_of_the_timing_is_asked_for_its_day(text: str, period: str, asked: str) -> None:
    assert row_of({"words": "metformin 500 mg tablet", "dose_text": text, "period": period}).question == asked


def test_a_weekday_of_the_timing_stands_whatever_else_the_text_has_on_a_day() -> None:
    given = entry({"words": "warfarin 5 mg", "dose_text": "INR every Monday", "weekday": "3", "period": "7"})
    assert with_dosing(given, "no").weekday == 3


def test_one_dose_a_week_by_the_timing_still_asks_for_its_day() -> None:
    given = {"words": "semaglutide 1 mg pen", "policies": {"glp1": "ASA2023_HOLD"}}
    assert WEEKDAY_UNKNOWN in row_of({**given, "times_a_week": "1"}).question


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


def test_where_no_dose_in_between_is_sure_the_arithmetic_says_how_many_days_are_without_one() -> None:
    """Fri 2026-03-06 to Tue 2026-03-17 are 12 days (counted by hand)."""
    row = row_of({"words": "semaglutide 1 mg pen", "dose_text": "every Thursday, check glucose",
                  "policies": {"glp1": "ASA2023_HOLD"}})  # fmt: skip
    assert row.missed_days == 12 and row.arithmetic[-1].endswith("is not sure: 12 days without a dose")


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
