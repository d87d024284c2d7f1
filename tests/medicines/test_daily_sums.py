"""Sums over a whole list: hidden acetaminophen, several opioids, and rows that cannot be read."""

from __future__ import annotations

from fractions import Fraction

import pytest

from medicines.case_files import entry
from waykeeper.medicines import daily_sums
from waykeeper.medicines.daily_sums import doses_a_day, units_a_dose


def sums(*rows: tuple[str, str]):
    return daily_sums([entry({"words": w, "schedule": s}, f"row-{n}") for n, (w, s) in enumerate(rows)])


def test_a2_hidden_acetaminophen_is_added_up() -> None:
    """A2, computed: 5/325 x 6 and 1,000 mg three times a day are 4,950 mg: stop. The opioid is 30 MME."""
    got = sums(
        ("hydrocodone bitartrate/acetaminophen 5 mg/325 mg", "1 tablet every 4 hours as needed"),
        ("acetaminophen 500 mg", "2 tablets three times a day"),
    )
    assert (got.acetaminophen.mg, got.acetaminophen.result) == (4950, "STOP")
    assert got.opioids.mme == 30
    assert got.unread == ()


def test_a3_and_a4() -> None:
    """A3 and A4, computed."""
    three = sums(("oxycodone/acetaminophen 5-325 mg", "every 4 to 6 hours"), ("acetaminophen 650 mg", "every 6 hours"))
    assert (three.acetaminophen.mg, three.acetaminophen.result) == (4550, "STOP")
    four = sums(("oxycodone 5 mg", "every 6 hours"), ("acetaminophen 500 mg", "2 tablets tid"))
    assert (four.acetaminophen.mg, four.acetaminophen.result) == (3000, "ok")


def test_m9_m12() -> None:
    """M9 and M12, CDC 2022 factors."""
    assert sums(("fentanyl 25 mcg/h patch", "every 72 hours")).opioids.mme == 60
    both = sums(("oxycodone 5 mg", "every 4 hours as needed"), ("tramadol 50 mg", "four times a day"))
    assert both.opioids.mme == 85
    assert any("offer naloxone" in p for p in both.opioids.prompts)


def test_the_most_that_the_order_allows_counts() -> None:
    got = sums(("oxycodone 5 mg", "1-2 tablets every 4 hours, max 6 tablets per day"))
    assert got.opioids.mme == 45


@pytest.mark.parametrize(
    "row",
    [("oxycodone 5 mg", "as directed"), ("oxycodone", "every 4 hours"), ("acetaminophen", ""), ("fentanyl patch", "")],
)
def test_what_cannot_be_read_is_named_and_never_counted_as_nothing(row: tuple[str, str]) -> None:
    got = sums(row)
    assert len(got.unread) == 1 and row[0] in got.unread[0]
    assert (got.opioids.mme, got.acetaminophen.mg) == (0, 0)


def test_m5_the_larger_of_a_range_counts() -> None:
    """M5, computed: 5 to 10 mg every 4 hours is at most 60 mg, 90 MME."""
    assert sums(("oxycodone 5-10 mg", "every 4 hours")).opioids.mme == 90
    assert sums(("oxycodone 5–10 mg", "every 4 hours")).opioids.mme == 90


def test_a_combination_with_numbers_that_do_not_fit_is_not_counted() -> None:
    got = sums(("oxycodone/acetaminophen 325 mg", "every 4 hours"))
    assert len(got.unread) == 2 and got.acetaminophen.mg == 0


def test_ended_and_other_rows_do_not_count() -> None:
    ended = entry({"words": "oxycodone 5 mg", "schedule": "every 4 hours", "status": "stopped"})
    got = daily_sums([ended, entry({"words": "warfarin 5 mg", "schedule": "daily"}, "b")])
    assert (got.opioids.mme, got.unread) == (0, ())


@pytest.mark.parametrize(
    ("text", "most"),
    [
        ("every 6 hours", "4"), ("q4h prn", "6"), ("every 4-6 hours", "6"), ("q 8 h", "3"), ("twice daily", "2"),
        ("bid", "2"), ("daily", "1"), ("at bedtime", "1"), ("qid", "4"), ("bid or tid", None), ("", None),
        ("as needed", None), ("every 0 hours", None), ("2 time(s) every 1 d", "2"), ("2 time(s) every 6 h", "8"),
        ("1 time(s) every 0 h", None), ("1 time(s) every 2 d", "1/2"),
    ],
)  # fmt: skip
def test_doses_a_day(text: str, most: str | None) -> None:
    assert doses_a_day(text) == (None if most is None else Fraction(most))


@pytest.mark.parametrize(("words", "most"), [
    ("once daily", 1), ("once a day", 1), ("every day", 1), ("nightly", 1), ("twice a day", 2),
    ("three times a day", 3), ("three times daily", 3), ("tid", 3), ("four times a day", 4), ("four times daily", 4),
])  # fmt: skip
def test_frequencies_in_words(words: str, most: int) -> None:
    assert doses_a_day(f"one tablet {words} with food") == most


def test_units_a_dose() -> None:
    assert units_a_dose("1 to 2 tablets") == 2
    assert units_a_dose("take 3 capsules") == 3
    assert units_a_dose("two tablets when it hurts") == 2
    assert units_a_dose("One or two caplets, one to three tablets") == 3
    assert units_a_dose("as needed") == 1


@pytest.mark.parametrize(
    ("text", "doses"),
    [
        ("1 tablet every morning", 1), ("1 tablet in the morning and at bedtime", 2), ("qam", 1),
        ("1 tablet nightly", 1),
        ("twice daily, in the morning and at bedtime", 2), ("every other day", 1), ("with breakfast, lunch", 1),
        ("in the morning, in the afternoon and in the evening", 3), ("as directed", None),
    ],
)  # fmt: skip
def test_parts_of_a_day_are_doses(text: str, doses: int | None) -> None:
    """The most of a day: a dose in each part that is named, never fewer."""
    assert doses_a_day(text) == doses
