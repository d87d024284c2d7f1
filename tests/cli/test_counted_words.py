"""One and several: no text of the package says `1 days`. Common practice, no source."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import waykeeper
from waykeeper.counting import counted

SOURCE = Path(waykeeper.__file__).parent
# `{days} days` in a text: a number and its word belong to `counted`.
LOOSE = re.compile(r"\{[^{}\"']*(?:days|days_over|days_past|fewer|gap|months)[^{}\"']*\} (?:days|months|weeks)\b")


@pytest.mark.parametrize(
    ("number", "words", "said"),
    [(0, ("day",), "0 days"), (1, ("day",), "1 day"), (2, ("day",), "2 days"), (1, ("entry", "entries"), "1 entry"),
     (3, ("entry", "entries"), "3 entries"), (1, ("full month",), "1 full month")],
)  # fmt: skip
def test_a_number_and_its_word(number, words, said):
    assert counted(number, *words) == said


def test_no_number_of_days_stands_before_a_fixed_plural():
    found = [
        f"{path.name}: {line.strip()}"
        for path in sorted(SOURCE.rglob("*.py"))
        for line in path.read_text("utf-8").splitlines()
        if LOOSE.search(line)
    ]
    assert found == []


def test_the_search_itself_finds_one():
    assert LOOSE.search('f"{days} days"') and LOOSE.search('f"{(was - now).days} days"')
    assert not LOOSE.search("f\"{counted(days, 'day')} off\"")
