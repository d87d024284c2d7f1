"""The grammar's table as Markdown: the README's table is this, and a test compares the two."""

from __future__ import annotations

from collections.abc import Mapping

from waykeeper.timing.grammar import grammar_table

_SHOWN = 4  # examples of each sort in a row; grammar.yaml has all


def grammar_markdown() -> str:
    """One row for each production: its form, right spellings, spellings that are mended, refusals with code."""
    rows = ["| production | form | right | mended | refused |", "|---|---|---|---|---|"]
    rows += [_row(name, production) for name, production in grammar_table()["productions"].items()]
    return "\n".join(rows) + "\n"


def _row(name: str, production: Mapping[str, object]) -> str:
    accepts, refuses = production["accepts"], production["refuses"]
    if not isinstance(accepts, Mapping) or not isinstance(refuses, Mapping):
        raise TypeError(f"{name}: examples are mappings")
    right = [_code(text) for text, spelt in accepts.items() if spelt == "="]
    mended = [f"{_code(text.strip())} -> {_code(spelt)}" for text, spelt in accepts.items() if spelt != "="]
    refused = [f"{_code(text)} {code}" for text, code in refuses.items() if text]
    cells = [name, _code(str(production["form"])), *("<br>".join(c[:_SHOWN]) for c in (right, mended, refused))]
    return f"| {' | '.join(cells)} |"


def _code(text: str) -> str:
    """Code in a table cell; a bar would end the cell."""
    return f"`{text}`".replace("|", r"\|")
