"""The catalogue: one entry for each code, kept as data beside this file (one YAML file a room)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, cast

from waykeeper.findings.severity import Severity

Family = Literal["ours", "the specification", "stricter"]


@dataclass(frozen=True, slots=True)
class Entry:
    """What `waykeeper explain CODE` prints.

    `raises` and `passes` are the smallest inputs that do and do not raise the finding; the tests run both.
    """

    code: str
    title: str
    severity: Severity
    explanation: str
    help: str = ""
    link: str = ""
    family: Family = "ours"
    raises: Any = None
    passes: Any = None


# The letter of a code -> its room's first file, which is tried before all others are read: most findings need one file.
ROOMS = {
    "V": "validate", "T": "timing", "P": "pathway", "R": "record", "M": "medicines", "L": "plan", "F": "fhir",
    "U": "merge", "G": "gaps", "O": "report", "X": "exchange", "S": "sandbox", "C": "cli",
}  # fmt: skip


@cache
def catalogue() -> Mapping[str, Entry]:
    """Every code of every room, sorted by code. Raises ValueError on a code that is there twice."""
    entries: dict[str, Entry] = {}
    for name in sorted(f.name for f in (files("waykeeper.findings") / "codes").iterdir()):
        if not name.endswith(".yaml"):
            continue
        for code, known in _of_file(name).items():
            if code in entries:
                raise ValueError(f"code {code} is in the catalogue twice")
            entries[code] = known
    return dict(sorted(entries.items()))


@cache
def _of_file(name: str) -> dict[str, Entry]:
    import yaml

    text = (files("waykeeper.findings") / "codes" / name).read_text("utf-8")
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # our own package data
    loaded = cast("dict[str, dict[str, Any]]", yaml.load(text, Loader=loader) or {})
    return {code: Entry(code=code, **fields) for code, fields in loaded.items()}


def entry(code: str) -> Entry:
    """The catalogue's entry for a code. Raises KeyError where there is none."""
    room = ROOMS.get(code[2:3])
    known = _of_file(f"{room}.yaml").get(code) if room else None
    return known or catalogue()[code]
