"""Does a case of a rule hold? Every condition may also be unknown, and a case says whether that counts."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

from waykeeper.medicines.model import Case
from waykeeper.quickly_made import quickly_made

NUMERIC = frozenset({"crcl", "daily_mg", "dose_mg", "period"})
WORDED = frozenset({"bleed", "anaesthesia", "indication", "form", "release", "policy", "risk"})
CONDITIONS = NUMERIC | WORDED
UNKNOWN = "unknown"
_BOUND = re.compile(r"(>=|<=|<|>|=)(\d+(?:\.\d+)?)")


@quickly_made
@dataclass(frozen=True, slots=True)
class Situation:
    """What the conditions of one row are tested against. A missing value is unknown."""

    numbers: Mapping[str, Fraction | Decimal | int | None]
    words: Mapping[str, frozenset[str]]


def holds(case: Case, situation: Situation) -> bool:
    """True if every condition of the case holds; unknown counts only where the case lists `unknown`."""
    return all(_one(name, allowed, situation) for name, allowed in case.when.items())


def first(cases: tuple[Case, ...], situation: Situation) -> Case | None:
    """The first case that holds."""
    return next((c for c in cases if holds(c, situation)), None)


def _one(name: str, allowed: tuple[str, ...], situation: Situation) -> bool:
    if name in NUMERIC:
        value = situation.numbers.get(name)
        if value is None:
            return UNKNOWN in allowed
        exact = Fraction(value)
        bounds = [bound(a) for a in allowed if a != UNKNOWN]
        return bool(bounds) and all(_COMPARISONS[compared](exact, limit) for compared, limit in bounds)
    values = situation.words.get(name) or frozenset({UNKNOWN})
    return not values.isdisjoint(allowed)


@lru_cache(maxsize=512)
def bound(text: str) -> tuple[str, Fraction]:
    """`>=50` -> (">=", 50). Raises ValueError for anything else."""
    found = _BOUND.fullmatch(text)
    if not found:
        raise ValueError(f"{text!r} is no bound such as >=50 or <30")
    return found[1], Fraction(found[2])


_COMPARISONS: Mapping[str, Callable[[Fraction, Fraction], bool]] = {
    ">=": operator.ge,
    "<=": operator.le,
    "<": operator.lt,
    ">": operator.gt,
    "=": operator.eq,
}
