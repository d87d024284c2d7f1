"""The words of a row, taken apart: names, salts, dose form, strength, and what was not understood."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, lru_cache
from typing import Any

from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.spelling import SAME, normalise, without_thousands
from waykeeper.medicines.tables import normal, table

_NUMBER = re.compile(r"\d+(\.\d+)?")
# No product has more than ten strengths; a chain without an end would be tried from each of its numbers.
_STRENGTHS = re.compile(
    r"(\d+(?:\.\d+)?(?:\s*(?:mg)?\s*[/-]\s*\d+(?:\.\d+)?){0,9})"
    r"\s*(mcg|ug|micrograms?|mg|milligrams?|g|grams?)\b(?!\s*(?:/|per)\s*h(?:r|our)?\b)"
)
_MILLIGRAMS = {"g": Decimal(1000), "gram": Decimal(1000), "mg": Decimal(1), "milligram": Decimal(1)}


@dataclass(frozen=True, slots=True)
class Reading:
    """What the words of one row say. `left` are the words that were not understood, in order.

    strengths  milligrams as written, in the order of the ingredients ("5/325 mg" gives two)
    turned     a word such as "stopped" or "allergy" is among them: the name may not be what is taken
    """

    ingredients: tuple[str, ...] = ()
    forms: frozenset[str] = frozenset()
    releases: frozenset[str] = frozenset()
    strengths: tuple[Decimal, ...] = ()
    left: tuple[str, ...] = ()
    turned: bool = False

    @property
    def whole(self) -> bool:
        """True where a name was found and every word was understood."""
        return bool(self.ingredients) and not self.left and not self.turned


@cache
def vocabulary() -> Mapping[str, Any]:
    """The package's words.yaml."""
    return table("words")


@cache
def ended_words() -> frozenset[str]:
    """Words beside a name that may say that it is not taken any more, normalised; in no other place are they read."""
    return frozenset(normal(word) for word in vocabulary()["ended"])


@lru_cache(maxsize=8)
def _phrases(rules: Ruleset) -> Mapping[str, tuple[str, str]]:
    """Normalised phrase -> (kind, value). A name of a medicine wins over any other meaning."""
    words = vocabulary()
    found: dict[str, tuple[str, str]] = {normal(w): ("noise", "") for w in words["noise"]}
    found |= {normal(w): ("turn", "") for w in words["turns"]}
    for kind in ("releases", "forms"):
        found |= {normal(w): (kind, value) for value, listed in words[kind].items() for w in listed}
    found |= {normal(s): ("salt", normal(s)) for i in rules.ingredients.values() for s in i.salts}
    found |= {phrase: ("name", phrase) for phrase in rules.names}
    return found


@lru_cache(maxsize=8)
def _most_words(rules: Ruleset) -> Mapping[str, int]:
    """First word -> how many words the longest phrase has that begins with it."""
    found: dict[str, int] = {}
    for first, *others in filter(None, map(str.split, _phrases(rules))):
        found[first] = max(1 + len(others), found.get(first, 0))
    return found


@lru_cache(maxsize=4096)
def read_words(text: str, rules: Ruleset) -> Reading:
    """Take the words of a row apart; the longest phrase that is known wins, from left to right."""
    tokens = normalise(text).split()
    phrases, most = _phrases(rules), _most_words(rules)
    kinds: dict[str, list[str]] = {k: [] for k in ("name", "forms", "releases", "salt", "left", "turn")}
    at = 0
    while at < len(tokens):
        length, kind, value = _longest(tokens[at : at + most.get(tokens[at], 0)], phrases) or _unknown(tokens[at])
        if kind in kinds:
            kinds[kind].append(value)
        at += length
    ingredients = tuple(dict.fromkeys(i for n in kinds["name"] for i in rules.names[n]))
    allowed = {normalise(s) for i in ingredients for s in rules.ingredients[i].salts}
    left = (*kinds["left"], *(s for s in kinds["salt"] if s not in allowed))
    forms, releases = frozenset(kinds["forms"]), frozenset(kinds["releases"])
    return Reading(ingredients, forms, releases, strengths(text), left, bool(kinds["turn"]))


def _longest(tokens: list[str], phrases: Mapping[str, tuple[str, str]]) -> tuple[int, str, str] | None:
    for length in range(len(tokens), 0, -1):
        known = phrases.get(" ".join(tokens[:length]))
        if known:
            return (length, *known)
    return None


def _unknown(token: str) -> tuple[int, str, str]:
    return (1, "number", "") if _NUMBER.fullmatch(token) else (1, "left", token)


def strength_of(strengths: tuple[Decimal, ...], index: int, ingredients: int) -> Decimal | None:
    """The strength of one ingredient; None where the words do not say which number belongs to it."""
    if ingredients == 1:
        return strengths[0] if len(set(strengths)) == 1 else None
    return strengths[index] if len(strengths) == ingredients else None


def strengths(text: str) -> tuple[Decimal, ...]:
    """Milligrams in the order written: `5/325 mg` -> 5, 325; `25 mcg` -> 0.025; a rate (`mcg/h`) is none."""
    found: list[Decimal] = []
    for numbers, unit in _STRENGTHS.findall(without_thousands(text.translate(SAME).casefold())):
        scale = _MILLIGRAMS.get(unit.removesuffix("s"), Decimal("0.001"))
        found += [Decimal(n) * scale for n in re.findall(r"\d+(?:\.\d+)?", numbers)]
    return tuple(found)


@lru_cache(maxsize=8)
def _sieve(rules: Ruleset) -> Mapping[int, list[tuple[str, int]]]:
    """The names by their length, each with its letters: a cheap sieve before the slow comparison."""
    found: dict[int, list[tuple[str, int]]] = {}
    for name in rules.names:
        found.setdefault(len(name), []).append((name, _letters(name)))
    return found


def _letters(word: str) -> int:
    """The set of a word's letters, a bit for each."""
    bits = 0
    for letter in word:
        bits |= 1 << ord(letter)
    return bits


@lru_cache(maxsize=4096)
def near_names(words: tuple[str, ...], rules: Ruleset) -> tuple[str, ...]:
    """Names that look like what was not understood. They are only ever asked about, never used."""
    phrase = " ".join(words)
    found: list[str] = []
    for word in dict.fromkeys((phrase, *words)):
        if len(word) >= 4:
            letters, sieve = _letters(word), _sieve(rules)
            lengths = range(len(word) - 2, len(word) + 3)
            close = [n for length in lengths for n, own in sieve.get(length, ()) if (letters ^ own).bit_count() <= 4]
            found += difflib.get_close_matches(word, close, n=2, cutoff=0.78)
    return tuple(dict.fromkeys(i for n in found for i in rules.names[n]))
