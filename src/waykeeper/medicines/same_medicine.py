"""Does an answer about one medicine speak for another that stands under the same order today?"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from decimal import Decimal
from functools import lru_cache

from waykeeper.medicines.conditions import Situation, holds
from waykeeper.medicines.dosing import weekly_medicine, with_dosing
from waykeeper.medicines.model import AnswerLike, Case, NamedMedicine, Rule
from waykeeper.medicines.outcome import dose_that_counts
from waykeeper.medicines.recognise import Recognised, recognise
from waykeeper.medicines.ruleset import package_rules
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.ways import forms_of, way_of
from waykeeper.medicines.words import strength_of
from waykeeper.pathway.model import Coding
from waykeeper.record.model import MedicineEntry

# Conditions of a rule that the words of a row can decide; what else a rule asks for is not in a medicine's name.
_IN_WORDS = ("dose_mg", "form", "release", "period")

Reading = tuple[frozenset[str], str, tuple[tuple[str, tuple[bool, ...]], ...]]


def speaks_for(answer: AnswerLike, now: NamedMedicine) -> bool:
    """True if an answer was given for the medicine that the row names now. One that does not say for which counts."""
    return answer.medicine is None or same_medicine(answer.medicine, now)


def same_medicine(was: NamedMedicine, now: NamedMedicine) -> bool:
    """True if both name one medicine: by the same text, or by the same substances in another text or code.

    Another strength, form or interval is the same medicine, unless a case of its rule turns on it and falls out
    otherwise: then the answer may have been another, and it is asked again. What no rule knows is compared as text.
    A trade name whose Medication lists other ingredients today is another medicine, whatever its text.
    """
    if was == now:
        return True
    if was.ingredients and now.ingredients and set(was.ingredients) != set(now.ingredients):
        return False
    was, now = replace(was, ingredients=()), replace(now, ingredients=())
    if was.dose_mg is None or now.dose_mg is None:  # like is compared with like: the strength that the texts name
        was, now = replace(was, dose_mg=None), replace(now, dose_mg=None)
    same_text = normalise(was.words) == normalise(now.words) and not _codes_differ(was.codes, now.codes)
    before, after = _read(was), _read(now)
    return before == after and (before is not None or same_text)


def dose_listed(entry: MedicineEntry) -> Decimal | None:
    """Milligrams of one dose as a row of the list says them, where a case of the medicine's rule turns on them."""
    return dose_that_counts(entry, recognise(entry, package_rules()), package_rules())


def told_apart(was: NamedMedicine, now: NamedMedicine) -> tuple[str, str]:
    """What to call two medicines in one sentence: by their text; by dose or codes too where the text is the same."""
    if normalise(was.words) != normalise(now.words):
        return was.words, now.words
    if was.dose_mg != now.dose_mg and was.dose_mg is not None and now.dose_mg is not None:
        return (
            f"{was.words}, {was.dose_mg.normalize():f} mg a dose",
            f"{now.words}, {now.dose_mg.normalize():f} mg a dose",
        )
    if was.codes != now.codes:
        return _with_codes(was), _with_codes(now)
    return _with_ingredients(was), _with_ingredients(now)


def _with_codes(named: NamedMedicine) -> str:
    codes = ", ".join(code.code for code in named.codes)
    return f"{named.words} (code {codes})" if codes else named.words


def _with_ingredients(named: NamedMedicine) -> str:
    return f"{_with_codes(named)}, of {' and '.join(named.ingredients)}" if named.ingredients else _with_codes(named)


def _codes_differ(was: Collection[Coding], now: Collection[Coding]) -> bool:
    """True if a system in which both are coded has no code in common. A code of one side alone says nothing."""
    before, after = ({(c.system, c.code) for c in codes} for codes in (was, now))
    shared = {system for system, _ in before} & {system for system, _ in after}
    return any(not {c for c in before & after if c[0] == system} for system in shared)


@lru_cache(maxsize=1024)
def _read(named: NamedMedicine) -> Reading | None:
    """Substances, way of giving, and how each condition of their rules falls out; None where nothing is recognised."""
    rules = package_rules()
    entry = MedicineEntry(key="", words=named.words, codes=named.codes, dose_mg=named.dose_mg)
    known = recognise(entry, rules)
    substances = known.ingredients or known.named
    if not substances:
        return None
    entry = with_dosing(entry, weekly_medicine(entry, known, rules))
    tested = sorted((rule.name, _outcomes(rule, i, entry, known)) for i, rule in enumerate(rules.rule_for(substances)))
    return frozenset(substances), way_of(entry, known, rules), tuple(tested)


def _outcomes(rule: Rule, index: int, entry: MedicineEntry, known: Recognised) -> tuple[bool, ...]:
    """Which of the conditions of a rule that words can decide hold, in the rule's order."""
    substances = known.ingredients or known.named
    situation = Situation(
        numbers={
            "dose_mg": entry.dose_mg or strength_of(known.reading.strengths, index, len(substances)),
            "period": entry.period_days,
        },
        words={
            "form": forms_of(entry, known, package_rules()) or frozenset({"unknown"}),
            "release": known.reading.releases or frozenset({"plain"}),
        },
    )
    asked = [(n, a) for c in (*rule.cases, *rule.neuraxial) for n, a in c.when.items() if n in _IN_WORDS]
    return tuple(holds(Case({name: allowed}, "ask"), situation) for name, allowed in asked)
