"""What the library holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    pass


@dataclass(frozen=True, slots=True)
class PathwayEntry:
    """One pathway of the library."""

    name: str
    version: str
    title: str
    items: int


def pathways() -> tuple[PathwayEntry, ...]:
    """What the library holds."""
    from waykeeper.pathway.library import load, names

    found = []
    for name in names():
        pathway, _ = load(name)
        if pathway is not None:
            found.append(PathwayEntry(name, pathway.version, pathway.title, len(pathway.items)))
    return tuple(found)
