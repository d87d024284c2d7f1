"""Which rules lead elsewhere with another creatinine clearance: dabigatran at 50 mL/min (PAUSE, JAMA Intern Med 2019),
before a needle also at 80 (ASRA 2018), apixaban below 30 only; naproxen at none."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest

from waykeeper.medicines import clearance, kidney_turns, package_rules
from waykeeper.medicines.kidney import shown
from waykeeper.record import Kidney


@pytest.mark.parametrize(("name", "anaesthesia", "was", "now", "turns"), [
    ("dabigatran etexilate", "general", 81, 37, True),
    ("dabigatran etexilate", "general", 81, 74, False),
    ("dabigatran etexilate", "spinal", 81, 74, True),
    ("dabigatran etexilate", "unknown", 81, 74, True),
    ("dabigatran etexilate", "general", 50, 49, True),
    ("dabigatran etexilate", "general", None, 90, True),
    ("dabigatran etexilate", "general", 60, 60, False),
    ("apixaban", "general", 81, 37, False),
    ("apixaban", "general", 81, 29, True),
    ("apixaban", "general", 81, None, True),
    ("apixaban", "general", None, 81, False),
    ("apixaban", "general", None, None, False),
    ("naproxen", "general", 81, 29, False),
    ("naproxen", "spinal", 81, None, False),
    ("an unknown thing", "general", 81, 29, False),
])  # fmt: skip
def test_where_a_rule_turns(name, anaesthesia, was, now, turns):
    assert kidney_turns([name], anaesthesia, *(None if v is None else Fraction(v) for v in (was, now))) is turns


def test_two_places_cut_fall_on_the_same_side_of_every_bound():
    """A plan keeps the clearance with two places: that is exact enough for a bound of whole numbers with `<`."""
    rules = package_rules()
    every = [*rules.single.values(), *rules.joint]
    bounds = {b for r in every for c in (*r.cases, *r.neuraxial) for b in c.when.get("crcl", ())} - {"unknown"}
    assert bounds and all(b[0] == "<" and b[1:].isdigit() for b in bounds)
    for limit in (Fraction(b[1:]) for b in bounds):
        for value in (limit, limit - Fraction(1, 1000), limit + Fraction(1, 1000)):
            assert (Fraction(shown(value)) < limit) is (value < limit)


def test_without_a_value_it_is_told_why():
    assert clearance(Kidney(), date(2026, 3, 18)).told == "no creatinine clearance: no creatinine is recorded"


def test_pounds_are_told_in_kilograms_of_two_places():
    """176.37 lb are 80.0000862969 kg (NIST SP 811: 0.45359237 kg a pound)."""
    day = date(2026, 3, 1)
    weighed = Kidney(Decimal("1.0"), "mg/dL", day, Decimal("80.0000862969"), birth_date=date(1958, 4, 9), female=False)
    found = clearance(replace(weighed, weight_on=day), date(2026, 3, 18))
    assert "80.00 kg of Sun" in found.told and found.usable > Fraction(5840, 72)
