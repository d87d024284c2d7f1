"""Facts with three values: FHIRPath over the list of the record's resources, with `%surgery` given."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING

from waykeeper.pathway.model import FactRule
from waykeeper.record.model import Fact, Record

if TYPE_CHECKING:
    from waykeeper.record.evaluation import Evaluation


def facts(record: Record, rules: Iterable[FactRule], surgery: date | None) -> dict[str, Fact]:
    """The value of each fact by name: `yes` true is yes, `no` true is no, both is contradictory, neither is unknown.

    An expression that comes out empty or fails on odd data counts as not true: the fact then asks.
    """
    from waykeeper.record.evaluation import Evaluation  # the engine takes 0.2 s to import

    asked = Evaluation(record.resources, surgery)
    return {rule.name: _value(rule, asked) for rule in rules}


def fact(record: Record, rule: FactRule, surgery: date | None) -> Fact:
    """The value of one fact, as `facts`."""
    return facts(record, [rule], surgery)[rule.name]


def _value(rule: FactRule, asked: Evaluation) -> Fact:
    yes, no = asked.true(rule.yes), asked.true(rule.no)
    if yes and no:
        return Fact.CONTRADICTORY
    if yes or no:
        return Fact.YES if yes else Fact.NO
    return Fact.UNKNOWN
