"""Orders of a medicine that is known, but that no rule may answer: forbidden, or against what is known of it."""

from __future__ import annotations

from dataclasses import replace

from waykeeper.findings import finding
from waykeeper.medicines.dosing import oftener_than_weekly
from waykeeper.medicines.instructions import instructions
from waykeeper.medicines.recognise import Recognised
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.ways import forms_of
from waykeeper.record.model import MedicineEntry

TOO_OFTEN = "is taken once a week, but the order has it more often"
NOT_TO_BE_GIVEN = "the order says that it is not to be given: is it taken, and shall it be?"


def doubted(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> Recognised:
    """The reading of a row as it is, or, where no rule may answer, without ingredients: named, and asked about."""
    found = [("WKM204", NOT_TO_BE_GIVEN)] if entry.forbidden else []
    named = known.ingredients or known.named
    found += [("WKM205", why) for name in named if (why := _too_often(entry, known, name, rules))]
    if not found:
        return known
    asks = "; ".join(q for q in (*(why for _, why in found), known.question) if q)
    raised = tuple(finding(code, f"{entry.words}: {why}") for code, why in found)
    return replace(known, ingredients=(), named=named, question=asks, findings=(*known.findings, *raised))


def _too_often(entry: MedicineEntry, known: Recognised, name: str, rules: Ruleset) -> str:
    """What is asked of a weekly medicine that the order has more often than once a week; "" for any other."""
    substance = rules.ingredients[name]
    for taken in instructions(entry) if substance.weekly else ():
        forms = forms_of(taken, known, rules) or {"unknown"}
        if not substance.weekly.isdisjoint(forms) and oftener_than_weekly(taken):
            harm = f"; {substance.daily_harm}" if substance.daily_harm else ""
            return f"{name} {TOO_OFTEN}{harm}: ask the prescriber at once"
    return ""
