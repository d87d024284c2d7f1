"""How many years of school a text asks for: one stated formula for each language.

English: Flesch-Kincaid grade level, 0.39 words/sentence + 11.8 syllables/word - 15.59 (Kincaid et al. 1975, Navy
Research Branch Report 8-75). Spanish: Fernandez-Huerta 1959 in its corrected form, 206.84 - 60 syllables/word -
1.02 words/sentence, and its published table of school grades. Syllables are counted by rules, not by a
dictionary: a grade is a hint for whoever writes the words, not a measure of a patient.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

_WORD = re.compile(r"[^\W\d_]+(?:['’-][^\W\d_]+)*|\d+(?:[.,:]\d+)*")
_MUTE_E = re.compile(r"[^aeiouy](?:e|es|ed)$")
_SOUNDED_E = re.compile(r"[^aeiouy]le[sd]?$|[td]ed$|(?:[sxzcg]|ch|sh)es$")
_SENTENCE_END = re.compile(r"[.!?;…]+(?:\s|$)|\n+")
_SPANISH_GRADES = ((90.0, 4.0), (80.0, 5.0), (70.0, 6.0), (60.0, 8.0), (50.0, 12.0))  # score at least -> grade
_UNIVERSITY = 16.0


def words(text: str) -> list[str]:
    """The words of a text; a number counts as one."""
    return _WORD.findall(text)


def sentences(text: str) -> int:
    """How many sentences a text has; at least 1."""
    return max(1, sum(1 for part in _SENTENCE_END.split(text) if _WORD.search(part)))


def english_syllables(word: str) -> int:
    """Syllables of an English word: groups of vowels, without a silent e, at least 1."""
    letters = re.sub(r"[^a-z]", "", word.lower())
    count = len(re.findall(r"[aeiouy]+", letters))
    if _MUTE_E.search(letters) and not _SOUNDED_E.search(letters):
        count -= 1
    if re.search(r"[aeiouy]ing", letters):
        count += 1
    return max(count, 1)


def spanish_syllables(word: str) -> int:
    """Syllables of a Spanish word: strong vowels and accented weak ones each carry one, at least 1."""
    letters = re.sub(r"(?<=q)u|(?<=g)u(?=[eiéí])", "", word.lower())
    letters = re.sub(r"y(?![aeiouáéíóú])", "i", letters)
    count = 0
    for group in re.findall(r"[aeiouáéíóúü]+", letters):
        strong = len(re.findall(r"[aeoáéó]", group))
        count += strong + len(re.findall(r"[íú]", group)) if strong else 1
    return max(count, 1)


def english_grade(text: str) -> float:
    """Flesch-Kincaid grade level."""
    per_sentence, per_word = _rates(text, english_syllables)
    return 0.39 * per_sentence + 11.8 * per_word - 15.59


def spanish_score(text: str) -> float:
    """Fernandez-Huerta: 100 is very easy, 0 very hard."""
    per_sentence, per_word = _rates(text, spanish_syllables)
    return 206.84 - 60 * per_word - 1.02 * per_sentence


def spanish_grade(text: str) -> float:
    """The school grade of the Fernandez-Huerta score; the higher one where the table gives two."""
    score = spanish_score(text)
    return next((grade for least, grade in _SPANISH_GRADES if score >= least), _UNIVERSITY)


def _rates(text: str, syllables: Callable[[str], int]) -> tuple[float, float]:
    found = words(text)
    if not found:
        return 0.0, 0.0
    return len(found) / sentences(text), sum(1 if w[0].isdigit() else syllables(w) for w in found) / len(found)


FORMULAS: Mapping[str, tuple[str, Callable[[str], float]]] = {
    "en": ("Flesch-Kincaid", english_grade),
    "es": ("Fernandez-Huerta", spanish_grade),
}


def grade(text: str, language: str) -> tuple[str, float] | None:
    """The formula's name and the school grade of a text; None where the language has no formula here."""
    known = FORMULAS.get(language.partition("-")[0])
    return (known[0], round(known[1](text), 1)) if known and words(text) else None
