"""Morphine milligram equivalents a day by the 2022 factors, and the prompts that go with them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any

from waykeeper.medicines.tables import table

NALOXONE_PROMPTS = {
    "benzodiazepine": "a benzodiazepine or other sedative",
    "overdose": "an earlier overdose or substance use disorder",
    "sleep-apnoea": "sleep apnoea",
    "lost-tolerance": "loss of tolerance",
    "age-65": "age 65 or over (clinic setting)",
}


@dataclass(frozen=True, slots=True)
class OpioidDose:
    """One prescription: substance, mg of one dose (fentanyl patch: mcg/h), and the most doses in 24 hours."""

    substance: str
    amount: Fraction
    doses_per_day: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True)
class OpioidSum:
    """MME a day over all prescriptions. `uncounted` have no factor and are named, never counted as nothing."""

    mme: Fraction
    lines: tuple[str, ...]
    uncounted: tuple[str, ...] = ()
    prompts: tuple[str, ...] = ()


@cache
def factor_table() -> Mapping[str, Any]:
    """The package's opioids.yaml."""
    return table("opioids")


def doses_in_24_hours(hours: Sequence[Fraction]) -> Fraction:
    """The most doses that an as-needed label allows: `every 4 to 6 hours` counts as every 4.

    Raises ValueError for an interval of nothing.
    """
    shortest = min(hours)
    if shortest <= 0:
        raise ValueError("an interval must be longer than nothing")
    return Fraction(24) / shortest


def opioid_sum(doses: Sequence[OpioidDose], risks: Collection[str] = ()) -> OpioidSum:
    """Sum all opioids of a patient. `risks` are keys of NALOXONE_PROMPTS that apply.

    Source: CDC Clinical Practice Guideline 2022 (MMWR Recomm Rep 71-3); caution from 50 MME a day.
    """
    factors = factor_table()["factors"]
    lines: list[str] = []
    total = Fraction(0)
    uncounted: list[str] = []
    for dose in doses:
        if dose.substance not in factors:
            uncounted.append(dose.substance)
            lines.append(f"{dose.substance}: no factor, not counted")
            continue
        one = dose.amount * dose.doses_per_day * Fraction(factors[dose.substance])
        total += one
        unit = "mcg/h" if dose.substance == "fentanyl patch" else "mg"
        amount = f"{float(dose.amount):g} {unit} x {float(dose.doses_per_day):g}"
        lines.append(f"{dose.substance}: {amount} x {factors[dose.substance]} = {float(one):g} MME")
    return OpioidSum(total, tuple(lines), tuple(uncounted), tuple(_prompts(total, risks, bool(doses))))


def _prompts(total: Fraction, risks: Collection[str], any_opioid: bool) -> list[str]:
    limit = Fraction(factor_table()["caution_from"])
    found = []
    if total >= limit:
        found.append(f"{float(total):g} MME a day reaches {limit}: weigh benefit and risk again, offer naloxone")
    if any_opioid:
        found += [f"offer naloxone: {NALOXONE_PROMPTS[r]}" for r in NALOXONE_PROMPTS if r in risks]
    return found
