"""Acetaminophen and opioids of a day over the whole list, from what the orders say. What cannot be read is named."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import product

from waykeeper.medicines.acetaminophen import AcetaminophenDose, AcetaminophenSum, acetaminophen_sum
from waykeeper.medicines.instructions import instructions
from waykeeper.medicines.opioids import OpioidDose, OpioidSum, doses_in_24_hours, opioid_sum
from waykeeper.medicines.recognise import Recognised, recognise
from waykeeper.medicines.ruleset import Ruleset, package_rules
from waykeeper.medicines.words import strength_of
from waykeeper.record.model import ENDED, MedicineEntry

COUNTED = frozenset({"acetaminophen", "opioid"})
_EVERY = re.compile(r"\b(?:every|q) ?(\d{1,2})(?: ?(?:-|to) ?(\d{1,2}))? ?h(?:ours?|rs?)?\b")
_WORDS = {
    "once daily": 1, "once a day": 1, "daily": 1, "every day": 1, "every other day": 1, "qd": 1,
    "twice daily": 2, "twice a day": 2, "bid": 2, "three times a day": 3, "three times daily": 3, "tid": 3,
    "four times a day": 4, "four times daily": 4, "qid": 4,
}  # fmt: skip
# Parts of a day: a dose in each that is named, where no number of doses is.
_PARTS = (
    re.compile(r"\b(?:(?:every|each|in the) morning|mornings|qam|(?:with|at|before|after) breakfast)\b"),
    re.compile(r"\b(?:at noon|at midday|every afternoon|in the afternoon|(?:with|at|before|after) lunch)\b"),
    re.compile(r"\b(?:(?:every|each|in the) evening|evenings|qpm|(?:with|at|before|after) (?:dinner|supper))\b"),
    re.compile(r"\b(?:(?:at|every) bedtime|nightly|(?:at|every|each) night|qhs)\b"),
)
_NUMBERS = {"one": "1", "two": "2", "three": "3", "four": "4", "six": "6", "eight": "8"}
_TIMES = re.compile(r"\b(\d+) time\(s\) every (\d+) (h|d)\b")
_UNITS = re.compile(r"\b(\d+)(?: ?(?:-|to) ?(\d+))? ?(?:tab|tablet|cap|capsule|caplet)s?\b")
_MOST = re.compile(
    r"\b(?:max|maximum|not more than|up to) ?(\d+)(?: ?(?:tab|tablet|cap|capsule|caplet)s?)? ?(?:per|a|in) (?:day|24)"
)
_PATCH = re.compile(r"(\d+(?:\.\d+)?) ?mcg ?(?:/|per) ?h")


@dataclass(frozen=True, slots=True)
class DailySums:
    """Both sums of one list. `unread` are rows whose dose or frequency could not be read: ask, then count again."""

    acetaminophen: AcetaminophenSum
    opioids: OpioidSum
    unread: tuple[str, ...] = ()


def daily_sums(
    medicines: Sequence[MedicineEntry], rules: Ruleset | None = None, risks: Collection[str] = ()
) -> DailySums:
    """Sum the live rows of a list. As-needed orders count with the most that the order allows (CDC 2022)."""
    rules = rules or package_rules()
    apap: list[AcetaminophenDose] = []
    opioids: list[OpioidDose] = []
    unread: list[str] = []
    listed = {entry.key for entry in medicines}
    for entry in medicines:
        if entry.status in ENDED or entry.forbidden or entry.statement_of in listed:
            continue
        known = recognise(entry, rules)
        counted = [(n, name) for n, name in enumerate(known.ingredients) if rules.ingredients[name].tags & COUNTED]
        for (index, name), taken in product(counted, instructions(entry)):
            tags = rules.ingredients[name].tags
            dose = _dose(taken, name, _strength(known, index))
            if dose is None:
                unread.append(f"{entry.words}: how much {name} and how often?")
            elif "acetaminophen" in tags:
                apap.append(AcetaminophenDose(entry.words, dose.amount, dose.doses_per_day))
            else:
                opioids.append(dose)
    return DailySums(acetaminophen_sum(apap), opioid_sum(opioids, risks), tuple(unread))


def doses_a_day(text: str) -> Fraction | None:
    """The most doses of a day that a schedule allows; None where it says none, or two different ones."""
    plain = text.casefold()
    said = {_times(*found) for found in _TIMES.findall(plain)}
    if said:
        return said.pop() if len(said) == 1 else None
    every = [h for a, b in _EVERY.findall(plain) for h in (a, b) if h]
    if every:
        return doses_in_24_hours([Fraction(h) for h in every]) if all(int(h) for h in every) else None
    found = {n for words, n in _WORDS.items() if re.search(rf"\b{words}\b", plain)}
    if len(found) > 1:
        found.discard(1)  # `twice daily` also holds `daily`
    parts = sum(bool(part.search(plain)) for part in _PARTS)
    if found <= {1}:
        found = {max(parts, len(found))} if found or parts else set()
    return Fraction(found.pop()) if len(found) == 1 else None


def _times(frequency: str, period: str, unit: str) -> Fraction | None:
    """`2 time(s) every 1 d` -> 2 a day; None for a period of nothing."""
    hours = int(period) * (24 if unit == "d" else 1)
    return Fraction(int(frequency) * 24, hours) if hours else None


def units_a_dose(text: str) -> Fraction:
    """Tablets or capsules of one dose, the larger of a range; 1 where the text names none."""
    found = [int(n) for a, b in _UNITS.findall(_digits(text)) for n in (a, b) if n]
    return Fraction(max(found, default=1))


def _digits(text: str) -> str:
    """Small number words as digits: `two tablets` -> `2 tablets`."""
    return re.sub(r"\b(one|two|three|four|six|eight)\b", lambda m: _NUMBERS[m[1]], text.casefold())


def _strength(known: Recognised, index: int) -> Decimal | None:
    """Milligrams of one unit; of a range (`5-10 mg`) the larger, since the most that is allowed counts."""
    strengths = known.reading.strengths
    if len(known.ingredients) == 1:
        return max(strengths, default=None)
    return strength_of(strengths, index, len(known.ingredients))


def _dose(entry: MedicineEntry, name: str, strength: Decimal | None) -> OpioidDose | None:
    text = f"{entry.words} {entry.dose_text} {entry.schedule}"
    if name == "fentanyl":
        rate = _PATCH.search(text.casefold())
        return OpioidDose("fentanyl patch", Fraction(rate[1])) if rate else None
    often = doses_a_day(text)
    most = _MOST.search(_digits(text))
    if strength is None:
        return None
    amount = Fraction(strength) * units_a_dose(f"{entry.dose_text} {entry.schedule}")
    if most:
        return OpioidDose(name, Fraction(strength), Fraction(most[1]))
    return None if often is None else OpioidDose(name, amount, often)
