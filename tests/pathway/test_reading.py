"""Reading levels. Where a value was published, its source stands beside it; the rest was counted by hand."""

import pytest

from waykeeper.pathway.reading import (
    english_grade,
    english_syllables,
    grade,
    sentences,
    spanish_grade,
    spanish_score,
    spanish_syllables,
    words,
)

# The worked example of the encyclopaedia article "Flesch-Kincaid readability tests" (Wikipedia, read 2026-11):
# 13 words, 24 syllables, grade 11.3.
PLATYPUS = "The Australian platypus is seemingly a hybrid of a mammal and reptilian creature."


def test_the_published_example():
    assert len(words(PLATYPUS)) == 13
    assert sum(english_syllables(w) for w in words(PLATYPUS)) == 24
    assert round(english_grade(PLATYPUS), 1) == 11.3


@pytest.mark.parametrize(  # counts of syllables as spoken; from memory
    ("word", "count"),
    [("wash", 1), ("the", 1), ("surgery", 3), ("medicine", 3), ("before", 2), ("table", 2), ("needed", 2),
     ("washed", 1), ("bandages", 3), ("doses", 2), ("takes", 1), ("seeing", 2), ("ankle", 2), ("clothes", 1)],
)  # fmt: skip
def test_english_syllables(word, count):
    assert english_syllables(word) == count


@pytest.mark.parametrize(  # divided by the rules of Spanish orthography (diphthong, hiatus); from memory
    ("word", "count"),
    [("lave", 2), ("cirugía", 4), ("antes", 2), ("quirófano", 4), ("guía", 2), ("pierna", 2), ("jabón", 2), ("día", 2),
     ("hoy", 1), ("y", 1), ("leer", 2), ("ciudad", 2), ("baúl", 2), ("pingüino", 3), ("construí", 2), ("oiga", 2),
     ("sangre", 2), ("guerra", 2), ("yeso", 2)],
)  # fmt: skip
def test_spanish_syllables(word, count):
    assert spanish_syllables(word) == count


def test_spanish_score_by_hand():
    # 7 words, 11 syllables (la-ve la pier-na con el ja-bón nue-vo), 1 sentence: 206.84 - 60 * 11/7 - 1.02 * 7 = 105.41.
    # The corrected formula and its table of grades: A. Muñoz Fernández, "Lecturabilidad de Fernández Huerta"
    # (legible.es, 2016-2017; read 2026-11): 90 and more is the fourth grade, 70 to 80 the sixth.
    text = "Lave la pierna con el jabón nuevo."
    assert round(spanish_score(text), 2) == 105.41
    assert spanish_grade(text) == 4


@pytest.mark.parametrize(
    ("text", "count"),
    [("One. Two! Three?", 3), ("Take 1.5 ml.", 1), ("No end", 1), ("A\n\nB", 2), ("Wait... then go.", 2)],
)
def test_sentences(text, count):
    assert sentences(text) == count


def test_no_words_and_no_formula_have_no_grade():
    assert grade("...", "en") is None
    assert grade("Waschen Sie sich.", "de") is None
    assert grade("Wash.", "en-US") == grade("Wash.", "en")
