"""Creatinine clearance: published and computed values, and what is refused."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from medicines.case_files import kidney, load, row_of
from waykeeper.medicines import clearance, cockcroft_gault
from waykeeper.medicines.kidney import age_on, shown
from waykeeper.record.model import Kidney

DATA = load("kidney.yaml")
SURGERY = date(2026, 3, 18)


@pytest.mark.parametrize(("name", "given"), DATA["clearance"].items(), ids=list(DATA["clearance"]))
def test_value(name: str, given: dict[str, Any]) -> None:
    got = clearance(kidney({"kidney": given}, SURGERY), SURGERY)
    assert got.usable is not None and got.question == ""
    if "exactly" in given:
        assert got.usable == Fraction(given["exactly"])
    if "shown" in given:
        assert shown(got.usable) == given["shown"]
    if "rounded" in given:
        beside = dict(got.beside)
        assert f"{float(got.usable):.1f}" == given["rounded"]
        assert {n: f"{float(v):.1f}" for n, v in beside.items()} == {n: given[n] for n in ("adjusted", "ideal")}


@pytest.mark.parametrize(("name", "given"), DATA["refused"].items(), ids=list(DATA["refused"]))
def test_refused_with_a_question(name: str, given: dict[str, Any]) -> None:
    got = clearance(kidney({"kidney": given}, SURGERY), SURGERY)
    assert got.usable is None and not got.stale and got.beside == ()
    assert given["question"] in got.question


@pytest.mark.parametrize(("name", "given"), DATA["accepted"].items(), ids=list(DATA["accepted"]))
def test_accepted_and_stale(name: str, given: dict[str, Any]) -> None:
    got = clearance(kidney({"kidney": given}, SURGERY), SURGERY)
    assert got.usable is not None
    assert (str(got.stale).lower(), bool(got.question)) == (given["stale"], given["stale"] == "true")


def test_a_stale_creatinine_still_chooses_the_branch_and_asks() -> None:
    given = {"words": "dabigatran 150 mg", "kidney": DATA["clearance"]["CG4"] | {"on": "2026-02-15"}}
    row = row_of(given)
    assert (row.decision, row.missed_days) == ("hold", 2)
    assert "31 days old" in row.question


def test_an_old_creatinine_asks_as_if_it_were_missing() -> None:
    given = {"words": "dabigatran 150 mg", "kidney": DATA["clearance"]["CG4"] | {"on": "2025-12-17"}}
    row = row_of(given)
    assert (row.decision, row.missed_days) == ("ask", 4)
    assert "it is not used" in row.question


def test_limits_of_staleness_are_the_clinics() -> None:
    given = kidney({"kidney": DATA["clearance"]["CG4"] | {"on": "2026-03-10"}}, SURGERY)
    assert clearance(given, SURGERY, stale_days=7).stale
    assert clearance(given, SURGERY, refused_days=7).usable is None


def test_the_arithmetic_can_be_followed() -> None:
    """CG7 and CG11, computed."""
    woman = clearance(kidney({"kidney": DATA["clearance"]["CG7"]}, SURGERY), SURGERY).arithmetic
    formula = "(140 - 78) x 62 kg / (72 x creatinine) x 0.85 = 41.25 mL/min (compared unrounded)"
    assert woman == (
        "creatinine 1.1 mg/dL, 10 days before surgery",
        "weight 62 kg of Sun 2026-03-08, 10 days before surgery",
        f"Cockcroft-Gault with actual weight: {formula}",
    )
    man = clearance(kidney({"kidney": DATA["clearance"]["CG11"]}, SURGERY), SURGERY).arithmetic
    assert man[0] == "creatinine 124 umol/L = 1.40 mg/dL (divided by 88.4, kept exact), 10 days before surgery"
    assert "x 0.85" not in man[1]


def test_a_height_that_gives_no_ideal_weight_shows_none() -> None:
    small = DATA["clearance"]["CG10"] | {"height": "90"}
    assert clearance(kidney({"kidney": small}, SURGERY), SURGERY).beside == ()


def test_shown_is_cut_and_never_reads_as_fifty() -> None:
    assert shown(Fraction(4999999, 100000)) == "49.99"
    assert shown(Fraction(50)) == "50.00"


def test_binary_floats_would_take_the_other_branch() -> None:
    """Why the arithmetic is exact: the same formula in floats lies below 50."""
    assert (140 - 60) * 58.5 / (72 * 1.3) < 50
    assert cockcroft_gault(60, Fraction("58.5"), Fraction("1.3"), False) == 50


def test_women_have_the_factor() -> None:
    man = cockcroft_gault(60, Fraction(70), Fraction(1), False)
    assert cockcroft_gault(60, Fraction(70), Fraction(1), True) == man * Fraction(85, 100)


@pytest.mark.parametrize("bad", [(17, 70, 1), (140, 70, 1), (60, 0, 1), (60, 70, 0), (60, -1, 1)])
def test_the_formula_refuses(bad: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="18 to 139"):
        cockcroft_gault(bad[0], Fraction(bad[1]), Fraction(bad[2]), False)


@pytest.mark.parametrize(
    ("born", "day", "years"),
    [
        (date(1960, 3, 18), date(2026, 3, 18), 66),
        (date(1960, 3, 19), date(2026, 3, 18), 65),
        (date(1960, 2, 29), date(2026, 2, 27), 65),
        (date(1960, 2, 29), date(2026, 2, 28), 66),  # the older reading gives the longer hold
        (date(1960, 2, 29), date(2028, 2, 28), 67),
        (date(1960, 2, 29), date(2028, 2, 29), 68),
        (date(1960, 2, 29), date(2100, 2, 28), 140),  # 2100 is no leap year
    ],
)
def test_age(born: date, day: date, years: int) -> None:
    assert age_on(born, day) == years


@pytest.mark.parametrize(
    ("weighed", "decision", "days"),
    [("2026-03-01", "hold", 2), ("2025-12-01", "hold", 2), ("2009-04-02", "ask", 4)],
)
def test_a_weight_of_long_ago_never_chooses_the_interval(weighed: str, decision: str, days: int) -> None:
    """100 kg of 2009 made 76.73 mL/min and two days; with the 60 kg of today it is 46.04, four days (PAUSE, 2019)."""
    given = {"creatinine": "1", "unit": "mg/dL", "weight": "100", "weighed": weighed, "born": "1950-05-05"}
    row = row_of({"words": "dabigatran 150 mg", "kidney": given | {"sex": "female"}})
    assert (row.decision, row.missed_days) == (decision, days)
    assert ("the weight is" in row.question) == (weighed != "2026-03-01")


def test_a_weight_that_cannot_be_used_is_told_and_not_called_missing() -> None:
    doubt = "the newest weight of 2026-01-10 is 137 lbs, a unit that is not read"
    given = Kidney(Decimal(1), "mg/dL", date(2026, 3, 1), birth_date=date(1950, 5, 5), female=True, weight_doubt=doubt)
    assert clearance(given, SURGERY).question == f"creatinine clearance needs the weight: {doubt}, give kilograms"
