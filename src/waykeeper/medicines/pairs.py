"""Two rows that should not meet raise a question. It never stops anything: each row keeps its own decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

from waykeeper.findings import finding
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.tables import table


@dataclass(frozen=True, slots=True)
class Pair:
    """Two tags (the same one twice: two different substances of it) and what is asked."""

    name: str
    one: str
    other: str
    question: str
    code: str


@dataclass(frozen=True, slots=True)
class _Met:
    """What one row is asked: its place on the list, the other substance ("" for itself), question and code."""

    row: int
    partner: str
    question: str
    code: str


@cache
def pair_table() -> tuple[Pair, ...]:
    """The package's pairs.yaml."""
    rows = table("pairs").items()
    return tuple(Pair(name, f["tags"][0], f["tags"][1], f["question"], f["code"]) for name, f in rows)


def with_pair_questions(rows: tuple[MedicineRow, ...], rules: Ruleset) -> tuple[MedicineRow, ...]:
    """Add the question of each pair, and of each substance that is on the list twice, to the rows concerned."""
    met = [*_pairs(rows, rules), *_doubles(rows)]
    return tuple(_asked(row, [m for m in met if m.row == index]) for index, row in enumerate(rows))


def _asked(row: MedicineRow, met: list[_Met]) -> MedicineRow:
    """One question for each kind of pair, with all partners in it."""
    partners: dict[tuple[str, str], list[str]] = {}
    for m in met:
        partners.setdefault((m.question, m.code), []).append(m.partner)
    if not partners:
        return row
    asked = [f"with {', '.join(dict.fromkeys(names))}: {q}" if names[0] else q for (q, _), names in partners.items()]
    raised = [finding(code, f"{row.words}: {text}") for (_, code), text in zip(partners, asked, strict=True)]
    questions = [row.question, *asked] if row.question else asked
    return replace(row, question="; ".join(dict.fromkeys(questions)), findings=(*row.findings, *raised))


def _live(row: MedicineRow) -> bool:
    """Drops and creams make no pair: hardly any of them reaches the blood."""
    return row.recognised and row.counted and not row.local and row.decision != "already stopped"


def _pairs(rows: Sequence[MedicineRow], rules: Ruleset) -> list[_Met]:
    found: list[_Met] = []
    tagged = [(i, n, rules.ingredients[n].tags) for i, r in enumerate(rows) if _live(r) for n in r.ingredients]
    for pair in pair_table():
        ones = [(i, n) for i, n, tags in tagged if pair.one in tags]
        others = [(i, n) for i, n, tags in tagged if pair.other in tags]
        for i, one in ones:
            for j, other in others:
                if i != j and one != other and (pair.one != pair.other or i < j):
                    found += [_Met(i, other, pair.question, pair.code), _Met(j, one, pair.question, pair.code)]
    return found


def _doubles(rows: Sequence[MedicineRow]) -> list[_Met]:
    """The same substance in two live rows: one order renewed, two prescribers, or twice the dose?

    A statement about an order that is a live row itself is no second one.
    """
    places: dict[str, list[int]] = {}
    orders = {row.key for row in rows if _live(row)}
    for i, row in enumerate(rows):
        for name in dict.fromkeys(row.ingredients) if _live(row) and row.statement_of not in orders else ():
            places.setdefault(name, []).append(i)
    return [
        _Met(i, "", f"{name} is on the list {len(where)} times: is each of them taken?", "WKM301")
        for name, where in places.items()
        if len(where) > 1
        for i in where
    ]
