"""The catalogue: one entry for each code, kept as data beside this file (one YAML file a room)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, cast

from waykeeper.findings.model import Severity

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


@cache
def catalogue() -> Mapping[str, Entry]:
    """Every code of every room, sorted by code. Raises ValueError on a code that is there twice."""
    import yaml

    entries: dict[str, Entry] = {}
    folder = files("waykeeper.findings") / "codes"
    for source in sorted(folder.iterdir(), key=lambda f: f.name):
        if not source.name.endswith(".yaml"):
            continue
        loaded = cast("dict[str, dict[str, Any]]", yaml.load(source.read_text("utf-8"), Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)) or {})  # noqa: E501 - our own package data, safe loader
        for code, fields in loaded.items():
            if code in entries:
                raise ValueError(f"code {code} is in the catalogue twice")
            entries[code] = Entry(code=code, **fields)
    return dict(sorted(entries.items()))


def entry(code: str) -> Entry:
    """The catalogue's entry for a code. Raises KeyError where there is none."""
    return catalogue()[code]
