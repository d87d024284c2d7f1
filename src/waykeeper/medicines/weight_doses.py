"""Doses of the antibiotic before the incision that hang on the weight: proposals for a prescriber.

Source: ASHP/IDSA/SIS/SHEA 2013, Am J Health Syst Pharm 70:195, table 1.
"""

from __future__ import annotations

from decimal import Decimal

CEFAZOLIN_HEAVY_KG = Decimal(120)


def cefazolin_grams(weight_kg: Decimal) -> int:
    """2 g, from 120.0 kg on 3 g. Raises ValueError for a weight that is not above 0."""
    if weight_kg <= 0:
        raise ValueError("weight must be above 0")
    return 3 if weight_kg >= CEFAZOLIN_HEAVY_KG else 2


def vancomycin_mg(weight_kg: Decimal) -> tuple[Decimal, int]:
    """15 mg/kg exactly, and the same to the nearest 250 mg, which a prescriber confirms.

    Raises ValueError for a weight that is not above 0.
    """
    if weight_kg <= 0:
        raise ValueError("weight must be above 0")
    exact = 15 * weight_kg
    return exact, int((exact / 250).to_integral_value()) * 250
