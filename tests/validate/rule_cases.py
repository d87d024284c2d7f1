"""The cases of rules.yaml and differs.yaml: here for us, in the contract for the official validator."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from yaml_text import typed

RULES = Path(__file__).parent / "rules.yaml"
DIFFERS = Path(__file__).parent / "differs.yaml"


def rule_cases(file: Path = RULES) -> Iterator[tuple[str, str, str]]:
    """(what it is, `breaks` or `keeps`, the JSON text) of every case."""
    for row in typed(file.read_text("utf-8")):
        for side in ("breaks", "keeps"):
            for number, value in enumerate(row[side]):
                yield f"{row['code']} {row['rule']} {side} {number}", side, as_text(value)


def differing_cases(file: Path = DIFFERS) -> Iterator[tuple[str, str, str]]:
    """(what it is, which side refuses: `ours` or `theirs`, the JSON text) of every known difference."""
    for row in typed(file.read_text("utf-8")):
        for number, value in enumerate(row["cases"]):
            yield f"{row['what']} {number}", row["refuses"], as_text(value)


def as_text(value: object) -> str:
    """JSON text of a resource, of JSON as it is, or of the inside of a narrative."""
    if not isinstance(value, str):
        return json.dumps(value)
    if value.startswith("{"):
        return value
    div = f'<div xmlns="http://www.w3.org/1999/xhtml">{value}</div>'
    return json.dumps({"resourceType": "Patient", "text": {"status": "generated", "div": div}})
