"""The table of sentences: complete in each language, with the same fields, at a reading level that is stated."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from babel.dates import format_date

from waykeeper.pathway.reading import english_grade, spanish_grade
from waykeeper.report.interface import data, interface, languages
from waykeeper.verbs.inputs import clinic_of

LEVEL = 6  # school grade that no sentence for patients may pass (the trade's usual aim; common practice, no source)


def leaves(node: object, path: str = ""):
    """Every place of the table where languages part."""
    if isinstance(node, dict):
        if set(node) & set(languages()):
            yield path, node
        else:
            for key, value in node.items():
                yield from leaves(value, f"{path}/{key}")
    elif isinstance(node, list):
        for i, value in enumerate(node):
            yield from leaves(value, f"{path}/{i}")


ROWS = [*leaves(data("interface")), *leaves(data("red_flags")), *leaves(data("letters"))]


def test_the_table_is_there():
    assert len(ROWS) > 100
    assert languages() == ("en", "es")


@pytest.mark.parametrize(("path", "row"), ROWS, ids=[p for p, _ in ROWS])
def test_each_row_has_each_language_and_the_same_fields(path, row):
    assert set(row) == set(languages())
    fields = {language: _fields(text) for language, text in row.items()}
    assert len(set(map(frozenset, fields.values()))) == 1, fields
    assert len({len(t) if isinstance(t, list) else 1 for t in row.values()}) == 1


def _fields(text: object) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", " ".join(text) if isinstance(text, list) else str(text)))


def _sentences(language: str) -> list[str]:
    found: list[str] = []
    for _, row in ROWS:
        text = row[language]
        found += text if isinstance(text, list) else [text]
    return [re.sub(r"\{\w+\}", "this day", t) for t in found if len(t.split()) >= 6]


def test_english_reads_at_the_stated_level():
    """Flesch-Kincaid (Kincaid et al. 1975) over all sentences together, and none far above it."""
    said = _sentences("en")
    assert english_grade(" ".join(s if s.endswith(".") else f"{s}." for s in said)) <= LEVEL
    hard = {s: round(english_grade(s), 1) for s in said if english_grade(s) > LEVEL + 3}
    assert not hard


def test_spanish_reads_at_the_stated_level():
    """Fernandez-Huerta 1959 over all sentences together."""
    said = _sentences("es")
    assert spanish_grade(" ".join(s if s.endswith(".") else f"{s}." for s in said)) <= LEVEL


def test_weekdays_and_months_agree_with_the_unicode_locale_data():
    start = date(2026, 1, 1)
    for i in range(366):
        day = start + timedelta(days=i)
        assert interface("en").date(day) == format_date(day, "EEEE, MMMM d, y", locale="en_US")
        assert interface("es").date(day) == format_date(day, "EEEE d 'de' MMMM 'de' y", locale="es_US")


def test_regional_languages_and_partial_birth_dates():
    assert interface("es-MX").language == "es"
    assert interface("en").birth_date("1961") == "1961"
    assert interface("en").birth_date("1961-07-04") == "July 4, 1961"


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_telephone_of_the_demos_clinic_has_its_name_in_the_language(language):
    known = clinic_of("clinic-demo").telephone
    assert known and all(interface(language).name("roles", role, "") for role in known)


@pytest.mark.parametrize(("language", "like", "legs_only"), [
    ("en", {"leg": "arm", "toes": "fingers"}, "either leg"),
    ("es", {"pierna": "brazo", "dedos del pie": "de la mano"}, "cualquier pierna"),
])  # fmt: skip
def test_who_is_operated_on_an_arm_reads_of_arm_and_fingers(language, like, legs_only):
    """Cold or numb fingers after a shoulder or hand operation are what toes are after a foot's: common practice, no
    source. A clot shows in the calf of either leg, whatever was operated: from memory."""
    told = [s for t in data("red_flags") for s in t["signs"][language]]
    told += [s for s in _sentences(language) if re.search("never lets you|nunca le permite", s)]
    speaking = [s.lower() for s in told if any(word in s.lower() for word in like) and legs_only not in s]
    assert len(speaking) == 6
    for sentence in speaking:
        assert all(like[word] in sentence for word in like if word in sentence), sentence
