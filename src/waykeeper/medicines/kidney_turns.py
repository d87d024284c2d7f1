"""Would the rules of a medicine lead elsewhere with another kidney value?"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from fractions import Fraction

from waykeeper.medicines.conditions import Situation, holds
from waykeeper.medicines.context import NEEDLE
from waykeeper.medicines.model import Case
from waykeeper.medicines.ruleset import package_rules

CONDITION = "crcl"


def kidney_turns(ingredients: Collection[str], anaesthesia: str, was: Fraction | None, now: Fraction | None) -> bool:
    """True if by the clearance of now another case of their rules may hold, with other days; None is no value.

    So it is where there was a value and is none, as while the creatinine rises: nobody knows which case holds then, and
    compile asks. The cases for a needle count only where one is possible. Whether another one does hold the rest of the
    record says.
    """
    rules = package_rules()
    known = [name for name in ingredients if name in rules.single]
    lost = was is not None and now is None
    for rule in rules.rule_for(known):
        for cases in (rule.cases, rule.neuraxial if anaesthesia in NEEDLE else ()):
            if _open(cases, was) != _open(cases, now) or (lost and any(CONDITION in case.when for case in cases)):
                return True
    return False


def _open(cases: Sequence[Case], clearance: Fraction | None) -> list[tuple[object, ...]]:
    """What may hold by a clearance: the other conditions of each case with its outcome, up to one that has none."""
    found: list[tuple[object, ...]] = []
    situation = Situation({CONDITION: clearance}, {})
    for case in cases:
        if not holds(Case({n: a for n, a in case.when.items() if n == CONDITION}, "ask"), situation):
            continue
        others = tuple((name, allowed) for name, allowed in case.when.items() if name != CONDITION)
        found.append((others, case.decision, case.missed_days, case.hours, case.longest_days))
        if not others:
            break
    return found
