"""The table of search parameters: which elements each parameter of each type looks at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal, cast

Kind = Literal["token", "reference", "date", "string", "uri"]

READ_ONLY = ("CodeSystem", "SearchParameter", "StructureDefinition", "ValueSet")
"""Conformance types: the sandbox serves our own definitions and takes no others."""

# `_id` and `_lastUpdated` are columns of the store; the others are elements of every resource's meta.
_EVERY_TYPE: tuple[tuple[str, Kind, str], ...] = (
    ("_id", "token", ""),
    ("_lastUpdated", "date", ""),
    ("_tag", "token", "meta.tag"),
    ("_security", "token", "meta.security"),
    ("_profile", "uri", "meta.profile"),
    ("_source", "uri", "meta.source"),
)


@dataclass(frozen=True, slots=True)
class Step:
    """One element of a path; `choice` for `value[x]`, `where` = (element, value) that an object must have."""

    name: str
    choice: bool = False
    where: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Path:
    """Elements from the resource's root; `target` keeps only references to that type."""

    steps: tuple[Step, ...]
    target: str = ""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one type. `key` names it in the index, for example `Task.code`."""

    type: str
    name: str
    kind: Kind
    paths: tuple[Path, ...]

    @property
    def key(self) -> str:
        """The name in the index."""
        return f"{self.type}.{self.name}"


def _step(text: str) -> Step:
    name, bracket, rest = text.partition("[")
    if not bracket:
        return Step(name)
    inside = rest.rstrip("]")
    if inside == "x":
        return Step(name, choice=True)
    element, _, value = inside.partition("=")
    return Step(name, where=(element, value))


def _path(text: str) -> Path:
    elements, _, target = text.partition(" -> ")
    return Path(tuple(_step(part) for part in elements.split(".")), target)


def _paths(text: str) -> tuple[Path, ...]:
    return tuple(_path(part) for part in text.split(" | ")) if text else ()


@cache
def table() -> Mapping[str, Mapping[str, Parameter]]:
    """Every type that the sandbox holds, with its parameters by name."""
    import yaml

    text = (files("waykeeper.sandbox") / "parameters.yaml").read_text("utf-8")
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    rows = cast("dict[str, dict[str, dict[Kind, str]]]", yaml.load(text, Loader=loader))
    made: dict[str, dict[str, Parameter]] = {}
    for name, row in rows.items():
        own = {
            code: Parameter(name, code, kind, _paths(text)) for code, one in row.items() for kind, text in one.items()
        }
        every = {code: Parameter(name, code, kind, _paths(text)) for code, kind, text in _EVERY_TYPE}
        made[name] = every | own
    return made
