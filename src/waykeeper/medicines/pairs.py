"""Two rows that should not meet raise a question. It never stops anything: each row keeps its own decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import yaml

from waykeeper.findings import Finding, finding
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.ruleset import Ruleset


@dataclass(frozen=True, slots=True)
class Pair:
    """Two tags (the same one twice: two different substances of it) and what is asked."""

    name: str
    one: str
    other: str
    question: str
    code: str


@cache
def pair_table() -> tuple[Pair, ...]:
    """The package's pairs.yaml."""
    text = (files("waykeeper.medicines") / "data" / "pairs.yaml").read_text("utf-8")
    data = yaml.load(text, Loader=getattr(yaml, "CBaseLoader", yaml.BaseLoader))
    return tuple(Pair(name, f["tags"][0], f["tags"][1], f["question"], f["code"]) for name, f in data.items())


def with_pair_questions(rows: tuple[MedicineRow, ...], rules: Ruleset) -> tuple[MedicineRow, ...]:
    """Add the question of each pair, and of each substance that is on the list twice, to the rows concerned."""
    asked: dict[int, list[str]] = {}
    raised: dict[int, list[Finding]] = {}
    for index, question, found in [*_pairs(rows, rules), *_doubles(rows)]:
        asked.setdefault(index, []).append(question)
        raised.setdefault(index, []).append(found)
    return tuple(
        replace(
            row,
            question="; ".join(dict.fromkeys([*([row.question] if row.question else []), *asked[i]])),
            findings=(*row.findings, *raised[i]),
        )
        if i in asked
        else row
        for i, row in enumerate(rows)
    )


def _live(row: MedicineRow) -> bool:
    return row.recognised and row.decision != "already stopped"


def _pairs(rows: Sequence[MedicineRow], rules: Ruleset) -> list[tuple[int, str, Finding]]:
    found: list[tuple[int, str, Finding]] = []
    tagged = [(i, n, rules.ingredients[n].tags) for i, r in enumerate(rows) if _live(r) for n in r.ingredients]
    for pair in pair_table():
        ones = [(i, n) for i, n, tags in tagged if pair.one in tags]
        others = [(i, n) for i, n, tags in tagged if pair.other in tags]
        for i, one in ones:
            for j, other in others:
                if i != j and one != other and (pair.one != pair.other or i < j):
                    names = f"{one} and {other}"
                    note = finding(pair.code, f"{names}: {pair.question}")
                    found += [(k, f"{names}: {pair.question}", note) for k in (i, j)]
    return found


def _doubles(rows: Sequence[MedicineRow]) -> list[tuple[int, str, Finding]]:
    """The same substance in two live rows: one order renewed, two prescribers, or twice the dose?"""
    places: dict[str, list[int]] = {}
    for i, row in enumerate(rows):
        for name in dict.fromkeys(row.ingredients) if _live(row) else ():
            places.setdefault(name, []).append(i)
    found: list[tuple[int, str, Finding]] = []
    for name, where in places.items():
        if len(where) > 1:
            question = f"{name} is on the list {len(where)} times: is each of them taken?"
            found += [(i, question, finding("WKM301", question.rstrip("?"))) for i in where]
    return found
