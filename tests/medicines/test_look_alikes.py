"""Names that are mistaken for one another, on labels and by ear: each is its own medicine, or asks.

The pairs are those of lists of confused names (ISMP, from memory).
"""

from __future__ import annotations

import pytest

from medicines.case_files import row_of

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
    ],
)
def test_a_name_that_is_only_near_is_none(words: str) -> None:
    row = row_of({"words": words})
    assert (row.recognised, row.decision, row.ingredients) == (False, "ask", ())


def test_a_salt_of_one_medicine_is_no_other() -> None:
    row = row_of({"words": "losartan potassium 50 mg", "hours": ["08:00"]})
    assert (row.ingredients, row.decision, row.missed_days) == (("losartan",), "hold", 1)
