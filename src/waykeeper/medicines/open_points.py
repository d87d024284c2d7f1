"""What a row must still ask, whatever its rule: the hour, the block, the liquid diet."""

from __future__ import annotations

import re

from waykeeper.medicines.context import Context
from waykeeper.medicines.intervals import Interval, hour_unknown
from waykeeper.medicines.model import Rule
from waykeeper.medicines.policies import policy_value
from waykeeper.medicines.words import strengths
from waykeeper.record.model import MedicineEntry

LIQUIDS = "ALWAYS_LIQUID24"
WEAK_KIDNEY = 30  # mL/min: an NSAID never restarts below it without the prescriber


def open_points(rule: Rule, days: Interval, entry: MedicineEntry, context: Context) -> list[str]:
    """Questions that hang on the row and the operation rather than on the rule."""
    asked: list[str] = []
    if days.limit is not None and days.limit.day != context.surgery.day and hour_unknown(days.limit, entry):
        asked.append("at what time of day is it taken? the limit is a clock time")
    if rule.neuraxial and context.anaesthesia == "superficial-block":
        asked.append("superficial block: anaesthesia decides whether the vessels there can be pressed on")
    if rule.half_life is not None and (kidney := context.clearance.usable) is not None and kidney < WEAK_KIDNEY:
        asked.append("creatinine clearance below 30 mL/min: longer pause, and no restart without the prescriber?")
    if any("steroid" in context.rules.ingredients[n].tags for n in rule.ingredients) and _changes(entry):
        asked.append(
            "by its text the dose changes or ends: what is taken on the day of surgery, and is the course over?"
        )
    return asked


def _changes(entry: MedicineEntry) -> bool:
    """A text of a dosage that names two amounts, or a word that ends or lessens it: `20 mg for 3 days, then stop`.

    `do not stop suddenly` and `with food or milk` change nothing.
    """
    said = _NOT_STOPPED.sub(" ", entry.dose_text.casefold())
    return len(set(strengths(said))) > 1 or bool(_ENDS.search(said))


_NOT_STOPPED = re.compile(r"\b(?:not|never|dont|don't|without) (?:\w+ )?(?:stop\w*|discontinu\w*|skip\w*|hold\w*)\b")
_ENDS = re.compile(
    r"\b(?:stop|stopped|stopping|discontinued?|held|hold|holding|instead|changed?|switch(?:ed)?|replaced?|off|former(?:ly)?"
    r"|previously|past|taper(?:ed|ing)?|wean(?:ed|ing)?|reduced?|decreased?|maybe|unsure|unclear|allerg\w+|intolera\w+)\b"
)


def with_liquids(policy: str, rule: Rule, context: Context) -> tuple[str, tuple[str, ...]]:
    """The policy's name and notes with the liquid diet, where the clinic adds it to the GLP-1 policy."""
    if rule.policy != "glp1":
        return policy, ()
    added = policy_value(context.policies, "glp1_liquids") == LIQUIDS
    if not added and policy != LIQUIDS:
        return policy, ()
    name = f"{policy}+{LIQUIDS}" if added and policy != LIQUIDS else policy
    return name, ("liquid diet for the 24 hours before surgery",)
