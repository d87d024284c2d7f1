"""How is it given? By the words, the route and the dose form of a row, coded or not; and is that for the whole body?"""

from __future__ import annotations

import re
from functools import cache, lru_cache

from waykeeper.medicines.model import Case, Rule
from waykeeper.medicines.nsaids import nsaid_days
from waykeeper.medicines.recognise import Recognised
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.tables import table
from waykeeper.medicines.words import read_words
from waykeeper.record.model import MedicineEntry

SNOMED = "http://snomed.info/sct"
MIXED = "mixed"
_PLACES = re.compile(
    r"\b(?:in|into|to|on|each|both|left|right|affected|per)\s+(?:(?:the|each|both|left|right|affected|one|your)\s+)*"
    r"(eyes?|ears?|nostrils?|nose|vagina)\b"
)


def forms_of(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> frozenset[str]:
    """Every form that the words, the route, the dose form and their codes name."""
    said = read_words(f"{entry.route} {entry.form}", rules).forms if entry.route or entry.form else frozenset()
    coded = {_codes()[c] for c in entry.ways if c in _codes()}
    return known.reading.forms | said | coded | _placed(entry.dose_text)


def way_of(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> str:
    """How a medicine is given that no rule for the whole body may answer for; "" where it reaches the blood.

    eye, ear, nose, topical, vaginal; `gel` or `drops` where nothing says of which sort; `mixed` where a row names a
    way of each kind. A patch, and a gel or an ointment that is put down as transdermal, reach the blood.
    """
    forms = forms_of(entry, known, rules)
    ways = table("ways")
    local, either = forms & ways["local"].keys(), forms & ways["either"].keys()
    whole = forms - local - either
    if "patch" in whole:
        local -= {"topical"}
    if local and whole - {"inhaled"}:
        return MIXED
    if local:
        return min(local - {"topical"}, default="topical")
    return min(either) if either and not whole | _swallowed(entry, rules) else ""


def case_for(rule: Rule, way: str) -> tuple[Case, ...]:
    """The cases of a rule that may answer for a way: those that name it, and the question where none does."""
    own = tuple(c for c in rule.cases if way in c.when.get("form", ()))
    ways = table("ways")
    asks = ways["mixed"] if way == MIXED else ways["local"].get(way) or ways["either"][way]
    source = "common practice, no source"
    cases = (*rule.cases, *rule.neuraxial)
    told = [d for c in cases for d in (c.missed_days, c.longest_days) if d is not None]
    if rule.half_life is not None:
        told.append(nsaid_days(rule.half_life, "NSAID_LARGER").days)
    longest = max(told, default=None)
    return (*own, Case({}, "ask", question=asks, longest_days=longest, source=source, year="2026", confidence="L"))


def is_local(way: str, decision: str = "continue") -> bool:
    """True for drops, creams and the like: hardly any reaches the blood. In the nose only where the row continues."""
    ways = table("ways")
    return way in ways["local"] and (decision == "continue" or way not in ways["absorbed"])


def _swallowed(entry: MedicineEntry, rules: Ruleset) -> frozenset[str]:
    """The forms for the whole body that the text of the dosage names: `20 drops by mouth`."""
    ways = table("ways")
    other = {*ways["local"], *ways["either"]}
    return read_words(entry.dose_text, rules).forms - other


@cache
def _codes() -> dict[str, str]:
    return {f"{SNOMED}|{code}": form for form, codes in table("ways")["codes"].items() for code in codes}


@lru_cache(maxsize=4096)
def _placed(text: str) -> frozenset[str]:
    """The places of the body that a dosage text names."""
    if not text:
        return frozenset()
    places = table("ways")["places"]
    return frozenset(places[p] for p in _PLACES.findall(text.casefold()))
