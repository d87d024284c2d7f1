"""Acetaminophen of a day over all products."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

LIMIT_MG, CAUTION_MG, SINGLE_MG = 4000, 3000, 1000


@dataclass(frozen=True, slots=True)
class AcetaminophenDose:
    """One product: mg of acetaminophen in one unit or dose, and the most of them in 24 hours."""

    product: str
    mg: Fraction
    doses_per_day: Fraction


@dataclass(frozen=True, slots=True)
class AcetaminophenSum:
    """Milligrams in 24 hours. `result` is "ok", "over 3 g" or "STOP" (over 4 g)."""

    mg: Fraction
    result: str
    lines: tuple[str, ...]


def acetaminophen_sum(doses: Sequence[AcetaminophenDose]) -> AcetaminophenSum:
    """Sum every product of the list, those hidden in combinations too.

    Limits: 4,000 mg in 24 hours (FDA, Health Canada); 3,000 mg is the cautious line (age 65 and over, long use).
    """
    total = sum((d.mg * d.doses_per_day for d in doses), Fraction(0))
    lines = [f"{d.product}: {float(d.mg):g} mg x {float(d.doses_per_day):g}" for d in doses]
    lines += [f"{d.product}: one dose is over {SINGLE_MG} mg" for d in doses if d.mg > SINGLE_MG]
    result = "STOP" if total > LIMIT_MG else "over 3 g" if total > CAUTION_MG else "ok"
    return AcetaminophenSum(total, result, (*lines, f"together {float(total):g} mg in 24 hours"))
