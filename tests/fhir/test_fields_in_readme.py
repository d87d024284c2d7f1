"""The list of our fields in the room's README is the one from which the definitions are made."""

from __future__ import annotations

import sys
from pathlib import Path

from waykeeper.fhir import conformance

README = Path(__file__).parents[2] / "src/waykeeper/fhir/README.md"
BEGIN, END = "<!-- fields: generated -->", "<!-- end of fields -->"


def table() -> str:
    """Every part of our extensions: on which types it stands, its type, how often, and what it says."""
    lines = []
    for url, (_, rows, types) in conformance.EXTENSIONS.items():
        lines += ["", f"`{url}`, on {', '.join(types)}", "", "| part | type | at most | says |", "|---|---|---|---|"]
        for name, kind, most, says in rows:
            lines.append(f"| {name} | {kind or 'parts'} | {most} | {says} |")
            inside = conformance.NESTED[name] if not kind else ()
            lines += [f"| {name}.{part} | {of} | {times} | {told} |" for part, of, times, told in inside]
    return "\n".join(lines)


def with_table(text: str) -> str:
    """The README with the list as it is."""
    head, _, rest = text.partition(BEGIN)
    return f"{head}{BEGIN}\n{table()}\n{END}{rest.partition(END)[2]}"


def test_the_list_of_fields_is_the_definitions():
    text = README.read_text("utf-8")
    assert BEGIN in text
    assert text == with_table(text), "run: PYTHONPATH=tests python tests/fhir/test_fields_in_readme.py --write"


if __name__ == "__main__" and sys.argv[1:] == ["--write"]:
    README.write_text(with_table(README.read_text("utf-8")), "utf-8")
