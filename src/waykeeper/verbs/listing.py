"""What the library holds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PathwayEntry:
    """One pathway of the library. `parts` are what it includes, `NAME VERSION`; `digest` is of its whole content."""

    name: str
    version: str
    title: str
    items: int
    parts: tuple[str, ...] = ()
    digest: str = ""


def pathways() -> tuple[PathwayEntry, ...]:
    """What the library holds."""
    from waykeeper.pathway.library import load, names

    found = []
    for name in names():
        pathway, _ = load(name)
        if pathway is not None:
            parts = tuple(f"{part.name} {part.version}" for part in pathway.parts)
            found.append(PathwayEntry(name, pathway.version, pathway.title, len(pathway.items), parts, pathway.digest))
    return tuple(found)
