"""Allergies and a pregnancy of the record, and which of them the items of a pathway answer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from waykeeper.findings import Finding, finding
from waykeeper.medicines import RecordedCaution
from waykeeper.pathway.model import FactRule, Pathway
from waykeeper.record import Fact, Record, facts


def unanswered(cautions: Sequence[RecordedCaution], pathway: Pathway, surgery: date | None) -> list[str]:
    """The words of those that no item's condition names: none of the facts it depends on is "yes" because of them.

    A fact that would be "yes" of a record without anything is no answer to anything.
    """
    if not cautions:
        return []
    named = {fact for item in pathway.items for fact in (*item.only_if, *item.unless)}
    rules = [rule for rule in pathway.facts if rule.name in named]
    always = _told(Record({}, ()), rules, surgery)

    def answered(caution: RecordedCaution) -> bool:
        return any(_told(Record({}, (said,)), rules, surgery) - always for said in caution.resources)

    return [caution.words for caution in cautions if not answered(caution)]


def caution_notes(words: Sequence[str], where: str) -> list[Finding]:
    """WKL115, one for all.

    where   what answers none of them: "no item of this pathway answers it"
    """
    if not words:
        return []
    return [finding("WKL115", f"recorded: {', '.join(words)}; {where}")]


def _told(record: Record, rules: Sequence[FactRule], surgery: date | None) -> set[str]:
    return {name for name, value in facts(record, rules, surgery).items() if value in (Fact.YES, Fact.CONTRADICTORY)}
