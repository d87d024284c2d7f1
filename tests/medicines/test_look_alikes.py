"""Names that are mistaken for one another, on labels and by ear: each is its own medicine, or asks.

The pairs are those of lists of confused names (ISMP, from memory).
"""

from __future__ import annotations

import pytest

from medicines.case_files import CALENDAR, entry, moment, row_of
from waykeeper.medicines import propose
from waykeeper.record.model import Kidney

PAIRS = [
    ("bupropion", "buspirone"),
    ("tramadol", "trazodone"),
    ("clonidine", "clonazepam"),
    ("hydralazine", "hydrochlorothiazide"),
    ("methimazole", "methotrexate"),
    ("prednisone", "primidone"),
    ("quetiapine", "olanzapine"),
    ("amlodipine", "nifedipine"),
    ("torsemide", "furosemide"),
    ("mirabegron", "mirtazapine"),
    ("carbamazepine", "oxcarbazepine"),
    ("progesterone", "testosterone"),
    ("lamotrigine", "levothyroxine"),
    ("amitriptyline", "nortriptyline"),
    ("dextroamphetamine", "lisdexamfetamine"),
    ("hydroxyzine", "hydralazine"),
    ("acyclovir", "valacyclovir"),
    ("cetirizine", "sertraline"),
    ("methocarbamol", "metoprolol"),
]


@pytest.mark.parametrize("pair", PAIRS, ids=" ".join)
def test_each_of_a_confused_pair_is_itself(pair: tuple[str, str]) -> None:
    for name in pair:
        assert row_of({"words": f"{name} 10 mg"}).ingredients == (name,)


@pytest.mark.parametrize(
    "words",
    [
        "buproprion 150 mg",
        "buspiron 10 mg",
        "trazadone 50 mg",
        "amitryptiline 25 mg",
        "tamsulosine 0.4 mg",
        "hydralizine 25 mg",
        "flecanide 100 mg",
        "donezepil 10 mg",
        "potassium",
        "losartan chloride 50 mg",
        "clonidine acetate",
        "hydroxizine 25 mg",
        "amoxacillin 500 mg",
        "glycol",
        "tizagabine 4 mg",
        "butalbital / acetaminophen 50 mg / 325 mg",
        "penicillin v potassium 500 mg",
    ],
)
def test_a_name_that_is_only_near_is_none(words: str) -> None:
    row = row_of({"words": words})
    assert (row.recognised, row.decision, row.ingredients) == (False, "ask", ())


def test_a_salt_of_one_medicine_is_no_other() -> None:
    row = row_of({"words": "losartan potassium 50 mg", "hours": ["08:00"]})
    assert (row.ingredients, row.decision, row.missed_days) == (("losartan",), "hold", 1)


@pytest.mark.parametrize(
    ("one", "other", "asked"),
    [
        ("tramadol 50 mg", "trazodone 50 mg", "serotonin effects or a seizure"),
        ("tramadol 50 mg", "bupropion XL 150 mg", "serotonin effects or a seizure"),
        ("tapentadol 50 mg", "amitriptyline 25 mg", "serotonin effects or a seizure"),
        ("linezolid 600 mg", "mirtazapine 15 mg", "not given together"),
        ("phenelzine 15 mg", "methylphenidate 10 mg", "not given together"),
        ("oxycodone 5 mg", "baclofen 10 mg", "makes sleepy together"),
        ("hydrocodone 5 mg", "hydroxyzine 25 mg", "makes sleepy together"),
    ],
)
def test_what_should_not_meet_is_asked_on_both_rows(one: str, other: str, asked: str) -> None:
    """Labels of the medicines and the handbook's pages of mirtazapine and trazodone; a question, never a stop."""
    both = propose(
        [entry({"words": one}, "one"), entry({"words": other}, "two")],
        moment("2026-03-18T07:30"),
        Kidney(),
        "general",
        {},
        calendar=CALENDAR,
    )
    assert [asked in row.question for row in both] == [True, True]


def test_two_antidepressants_of_different_kinds_are_no_two_of_a_kind() -> None:
    both = propose(
        [entry({"words": "sertraline 50 mg"}, "one"), entry({"words": "trazodone 50 mg"}, "two")],
        moment("2026-03-18T07:30"),
        Kidney(),
        "general",
        {},
        calendar=CALENDAR,
    )
    assert [row.question for row in both] == ["", ""]


def test_a_tablet_that_pauses_has_no_note_that_one_may_be_taken_on_the_day() -> None:
    row = row_of({"words": "sumatriptan / naproxen 85 mg / 500 mg tablet as needed"})
    assert row.decision == "hold"
    assert not [n for n in row.notes if "also on the" in n]
