"""Facts with three values: FHIRPath over the list of the record's resources, with `%surgery` given."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import cache
from typing import Any

from waykeeper.pathway.model import FactRule
from waykeeper.record.model import Fact, Record


@cache
def _compiled(expression: str) -> Callable[[Any, Mapping[str, Any]], Sequence[Any]]:
    from fhirpathpy import compile as compile_path
    from fhirpathpy.models import models

    return compile_path(expression, models["r4"])


def fact(record: Record, rule: FactRule, surgery: date | None) -> Fact:
    """The value of a fact: `yes` true is yes, `no` true is no, both is contradictory, neither is unknown.

    An expression that comes out empty or fails on odd data counts as not true: the fact then asks.
    """
    yes, no = _true(record, rule.yes, surgery), _true(record, rule.no, surgery)
    if yes and no:
        return Fact.CONTRADICTORY
    if yes or no:
        return Fact.YES if yes else Fact.NO
    return Fact.UNKNOWN


def _true(record: Record, expression: str, surgery: date | None) -> bool:
    if not expression:
        return False
    given: dict[str, Any] = {"surgery": surgery.isoformat() if surgery else []}
    try:
        outcome = _compiled(expression)([dict(r) for r in record.resources], given)
    except Exception:
        return False
    return list(outcome) == [True]


def unusable(expression: str) -> str:
    """Why an expression cannot be used, or "" where it parses."""
    try:
        _compiled(expression)
    except Exception as error:
        return str(error) or type(error).__name__
    return ""
