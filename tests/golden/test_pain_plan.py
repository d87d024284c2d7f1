"""The template of the wean as a patient reads it: no step allows more tablets or more morphine than the step before.

5 mg of oxycodone are 7.5 MME (CDC opioid guideline 2022, MMWR RR 71-3: factor 1.5). Halve, then widen: common practice,
no source; days and tablets of each step: clinic setting.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import pytest

from golden.test_pathway_values import overlays_for, pathway
from waykeeper.pathway import library

MME = 5 * 1.5
# What the words of a step must say of its dose, and the dose in tablets.
DOSES = {
    "en": {"Do what the label says": 1.0, "Take half as much as before": 0.5, "Take the half dose": 0.5},
    "es": {"Haga lo que dice la etiqueta": 1.0, "Tome la mitad de antes": 0.5, "Tome la media dosis": 0.5},
}
WHOLE = re.compile(r"\b(one|two|a) pills?\b|\bpill to the next\b|\b(una|dos) pastillas?\b|entre una pastilla", re.I)
HOURS = {"six": 6, "eight": 8, "seis": 6, "ocho": 8}


class Step(NamedTuple):
    name: str
    first: int
    last: int
    hours: int
    words: dict[str, str]

    def tablets(self, language: str) -> float:
        """The most tablets of a day, as the words of a language say it."""
        said = [dose for words, dose in DOSES[language].items() if words in self.words[language]]
        assert len(said) == 1, (self.name, self.words[language])
        return said[0] * 24 / self.hours


def steps(name: str, *overlays: str) -> list[Step]:
    found = []
    for item in pathway(*overlays, name=name).items:
        if re.fullmatch(r"pain-plan-\d", item.name):
            said = re.fullmatch(
                r"every (\d+) hours as needed (?:within|(\d+) to) (\d+) days after surgery", item.at[0].phrase
            )
            assert said, item.at[0].phrase
            found.append(Step(item.name, int(said[2] or 0), int(said[3]), int(said[1]), dict(item.words)))
    return found


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize(("name", "tablets", "total"), [
    ("total-ankle-replacement", [6, 3, 2, 1], 39),
    ("total-knee-replacement", [6, 3, 2, 1], 39),
    ("total-hip-replacement", [4, 2, 1.5, 1], 28),
])  # fmt: skip
def test_the_words_of_each_step_allow_what_the_template_allows(name, tablets, total, language):
    """Ankle and knee: 6, 3, 2, 1 tablets a day (45, 22.5, 15, 7.5 MME), 39 in all; the hip's own template: 28."""
    found = steps(name)
    assert [s.tablets(language) for s in found] == tablets
    assert sum(s.tablets(language) * (s.last - s.first + 1) for s in found) == total
    if total == 39:
        assert [s.tablets(language) * MME for s in found] == [45, 22.5, 15, 7.5]


@pytest.mark.parametrize("name", library.names())
def test_no_step_of_any_clinic_rises_and_no_day_is_without_one(name):
    for overlays in overlays_for(name):
        found = steps(name, *overlays)
        assert [s.name for s in found] == ["pain-plan-1", "pain-plan-2", "pain-plan-3", "pain-plan-4"]
        for language in DOSES:
            a_day = [s.tablets(language) for s in found]
            assert a_day == sorted(a_day, reverse=True) and len(set(a_day)) == len(a_day)
        days = [day for s in found for day in range(s.first, s.last + 1)]
        assert days == list(range(14))


@pytest.mark.parametrize("name", library.names())
def test_after_the_halving_no_words_speak_of_a_whole_pill(name):
    """`Take one pill in the day and one at night` after `half as much` was twice the template: 15 MME, not 7.5."""
    for step in steps(name)[1:]:
        for language, text in step.words.items():
            assert not WHOLE.search(text), (step.name, language, text)


@pytest.mark.parametrize("name", library.names())
def test_the_hours_in_the_words_are_those_of_the_phrase(name):
    for step in steps(name):
        for text in step.words.values():
            said = {HOURS[w] for w in re.findall(r"\w+", text.lower()) if w in HOURS}
            assert said <= {step.hours}, (step.name, text)
            assert step.name != "pain-plan-3" or said


@pytest.mark.parametrize("name", library.names())
def test_who_may_not_halve_a_pill_is_told_to_ask(name):
    words = steps(name)[1].words
    assert "If it does not, ask us first." in words["en"] and "Si no lo dice, pregunte primero." in words["es"]
