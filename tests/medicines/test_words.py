"""How the words of a row are read: names, salts, forms, strengths, what is left."""

from __future__ import annotations

from decimal import Decimal

import pytest

from waykeeper.medicines import package_rules
from waykeeper.medicines.words import near_names, normalise, read_words, strength_of, strengths

RULES = package_rules()


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("St. John's-Wort", "st johns wort"), ("  METOPROLOL\tER ", "metoprolol er"), ("5mg", "5 mg"),
        ("2.5mg", "2.5 mg"), ("q4h", "q4h"), ("1,000 mg", "1000 mg"), ("Œstradiol é", "oestradiol e"),
        ("a.b", "a b"), ("5.", "5"), ("25 µg", "25 ug"), ("", ""), ("???", ""),
    ],
)  # fmt: skip
def test_normalise(text: str, plain: str) -> None:
    assert normalise(text) == plain


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("5 mg", "5"), ("5/325 mg", "5 325"), ("25 mg / 200 mg", "25 200"),
        ("5-1000 MG", "5 1000"), ("0.5 g", "500.0"),
        ("50 mcg", "0.050"), ("50 µg", "0.050"), ("25 mcg/h", ""), ("25 mcg per hour", ""),
        ("100 units/mL", ""), ("2 g", "2000"),
        ("5–10 mg", "5 10"), ("1,000 mg", "1000"), ("20", ""), ("325 MG / hydrocodone 5 MG", "325 5"),
        ("25microgram", "0.025"), ("10 micrograms/hour", ""), ("2.5 milligrams", "2.5"), ("1 gram", "1000"),
    ],
)  # fmt: skip
def test_strengths(text: str, found: str) -> None:
    assert [str(s) for s in strengths(text)] == [str(Decimal(f)) for f in found.split()]


def test_strength_of_one_ingredient() -> None:
    two, five = Decimal("2.5"), Decimal(5)
    assert strength_of((two,), 0, 1) == two
    assert strength_of((two, two), 0, 1) == two
    assert strength_of((two, five), 0, 1) is None
    assert strength_of((), 0, 1) is None
    assert strength_of((two, five), 1, 2) == five
    assert strength_of((two,), 1, 2) is None


@pytest.mark.parametrize(
    ("text", "ingredients", "forms", "left"),
    [
        ("24 HR metoprolol succinate 50 MG Extended Release Oral Tablet", "metoprolol", "oral", ""),
        ("semaglutide 1.34 MG/ML Pen Injector", "semaglutide", "pen", ""),
        ("Acetaminophen 325 MG / Hydrocodone Bitartrate 5 MG Oral Tablet", "acetaminophen hydrocodone", "oral", ""),
        ("ketorolac tromethamine ophthalmic solution", "ketorolac", "eye", ""),
        ("warfarin sodium", "warfarin", "", ""),
        ("warfarin potassium", "warfarin", "", "potassium"),
        ("sodium", "", "", "sodium"),
        ("5-ASA", "", "", "asa"),
        ("apixaban blue", "apixaban", "", "blue"),
    ],
)
def test_reading(text: str, ingredients: str, forms: str, left: str) -> None:
    got = read_words(text, RULES)
    assert (" ".join(got.ingredients), " ".join(sorted(got.forms)), " ".join(got.left)) == (ingredients, forms, left)
    assert got.whole == bool(ingredients and not left)


def test_releases_and_turned_words() -> None:
    assert read_words("metformin ER", RULES).releases == {"extended"}
    assert read_words("diclofenac delayed release", RULES).releases == {"delayed"}
    assert read_words("warfarin stopped", RULES).turned
    assert not read_words("warfarin stopped", RULES).whole


def test_the_longest_name_wins() -> None:
    """`insulin glargine` is one name, and `fish oil` is not `oil`."""
    assert read_words("insulin glargine", RULES).ingredients == ("insulin glargine",)
    assert read_words("glargine insulin", RULES).left == ("insulin",)


def test_how_near_is_near() -> None:
    """Two letters more or less at most; three-letter words are near to everything and are not tried."""
    assert near_names(("apixabanxa",), RULES) == ("apixaban",)
    assert near_names(("apixabanxaxa",), RULES) == ()
    assert near_names(("kav",), RULES) == ()
    assert near_names(("kavaa",), RULES) == ("kava",)


def test_a_row_without_anything_is_not_whole() -> None:
    empty = read_words("", RULES)
    assert (empty.ingredients, empty.left, empty.turned, empty.whole) == ((), (), False, False)


def test_near_names_ask_and_stay_few() -> None:
    assert near_names(("prasugrell",), RULES) == ("prasugrel",)
    assert near_names(("zzzmab",), RULES) == ()
    assert near_names(("xr",), RULES) == ()
    assert "apixaban" in near_names(("apixiban",), RULES)


@pytest.mark.parametrize(
    ("text", "name", "form"),
    [
        ("insulin glargine 100 international units/mL injection, 3 mL cartridge", "insulin glargine", "injection"),
        ("dulaglutide 1.5 mg/0.5 mL injection, 0.5 mL prefilled injection device", "dulaglutide", "injection pen"),
        ("Insulin lispro 100units/ml solution for injection 10ml vials", "insulin lispro", "injection"),
        ("Semaglutide 1mg/0.74ml solution for injection 3ml pre-filled disposable devices", "semaglutide",
         "injection pen"),
        ("Enoxaparin sodium 40mg/0.4ml solution for injection pre-filled syringes", "enoxaparin", "injection pen"),
        ("Metformin 500mg modified-release tablets", "metformin", "oral"),
        ("Tramadol 50mg prolonged-release capsules", "tramadol", "oral"),
        ("Salbutamol 100micrograms/dose inhaler CFC free", "albuterol", "inhaled"),
        ("Glyceryl trinitrate 400micrograms/dose pump sublingual spray", "nitroglycerin", "sublingual"),
        ("nitroglycerin 0.4 MG/ACTUAT Mucosal Spray", "nitroglycerin", "sublingual"),
        ("Buprenorphine 10micrograms/hour transdermal patches", "buprenorphine", "patch"),
        ("Levothyroxine sodium 25microgram tablets", "levothyroxine", "oral"),
        ("Colecalciferol 800unit capsules", "vitamin d", "oral"),
    ],
)  # fmt: skip
def test_dose_forms_and_units_as_national_lists_write_them(text: str, name: str, form: str) -> None:
    """Names as RxNorm, dm+d and the New Zealand list form them (EDQM Standard Terms); each was not recognised."""
    read = read_words(text, RULES)
    assert (read.ingredients, read.left, read.turned) == ((name,), (), False)
    assert read.forms == frozenset(form.split())


def test_a_word_that_may_end_a_medicine_still_turns_its_row_round() -> None:
    assert read_words("salbutamol inhaler, pain free now", RULES).turned
    assert read_words("metformin modified to 500 mg", RULES).left == ("modified",)
