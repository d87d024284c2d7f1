"""One validation in progress: what has been found so far, and where the walk stands."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from waykeeper.findings import Finding, Position, finding

# A place in the resource: (place above, key or index); None is the resource itself.
Place = Any

# No resource is worth more findings than this; a hostile one could otherwise fill the memory.
MOST_FINDINGS = 10_000


class Run:
    """Collects findings; `resource` is the resource that the walk is in, `root` the one that contains it."""

    __slots__ = (
        "_anchors",
        "_contained",
        "_contained_in",
        "base",
        "bundle",
        "code_systems",
        "extensions",
        "found",
        "ids",
        "known",
        "links",
        "outer",
        "profiles",
        "resource",
        "root",
        "ruled",
        "stricter",
        "unchecked",
        "unknown_extensions",
    )

    def __init__(self, outer: dict[str, Any], stricter: bool) -> None:
        """Start on the outermost resource."""
        self.outer = outer
        self.resource = outer
        self.root = outer
        self.base: Place = None
        self._contained_in: Any = None
        self._contained: dict[str, list[dict[str, Any]]] = {}
        self._anchors: frozenset[str] | None = None
        self.bundle: Any = None
        self.profiles: Callable[[dict[str, Any], Place], None] | None = None
        self.extensions: dict[str, dict[str, Any]] = {}
        self.ruled: dict[str, Any] = {}
        self.code_systems: frozenset[str] = frozenset()
        self.stricter = stricter
        self.ids: set[str] = set()
        self.links: list[tuple[Place, str]] = []
        self.unknown_extensions: set[str] = set()
        self.unchecked: set[str] = set()
        self.known: dict[str, Any] = {}
        self.found: list[tuple[str, Place, str, str, str | None]] = []

    def contained(self, name: str) -> list[dict[str, Any]]:
        """What the root contains by this id; sorted once a root, so that many are as quick as few."""
        if self._contained_in is not self.root:
            self._contained_in, self._contained = self.root, {}
            held = self.root.get("contained")
            for one in held if isinstance(held, list) else ():
                if isinstance(one, dict) and isinstance(one.get("id"), str):
                    self._contained.setdefault(one["id"], []).append(one)
        return self._contained.get(name, [])

    def anchors(self) -> frozenset[str]:
        """Every id that a link `#id` of a narrative may mean: of resources, elements and narratives; made once.

        The whole of a Bundle counts, as for the official validator.
        """
        if self._anchors is None:
            self._anchors = frozenset(_ids(self.outer))
        return self._anchors

    @property
    def full(self) -> bool:
        """Whether further findings are left out."""
        return len(self.found) >= MOST_FINDINGS

    def extension(self, url: str) -> dict[str, Any] | None:
        """The record of an extension that the given profiles define."""
        return self.extensions.get(url)

    def add(self, code: str, place: Place, details: str, help: str = "", severity: str | None = None) -> None:  # noqa: A002 - the finding's field
        """Note a finding at a place."""
        if len(self.found) < MOST_FINDINGS:
            self.found.append((code, place, details, help, severity))


_NAMED = re.compile(r"""\s(?:id|name)\s*=\s*(?:"([^"]*)"|'([^']*)')""").findall


def _ids(value: Any) -> Iterator[str]:
    todo = [value]
    while todo:
        held = todo.pop()
        if isinstance(held, dict):
            name, div = held.get("id"), held.get("div")
            if isinstance(name, str):
                yield name
            if isinstance(div, str):
                yield from (one or other for one, other in _NAMED(div))
            todo += held.values()
        elif isinstance(held, list):
            todo += held


def steps(place: Place) -> list[str | int]:
    """The keys and indices from the resource down to a place."""
    out: list[str | int] = []
    while place is not None:
        place, key = place
        out.append(key)
    out.reverse()
    return out


def depth(place: Place) -> int:
    """How many keys and indices lie between the resource and a place."""
    count = 0
    while place is not None:
        place = place[0]
        count += 1
    return count


def path_text(root: str, place: Place) -> str:
    """`Bundle.entry[0].resource.status`: the element path of a place, by JSON names."""
    out = _printable(root)
    for step in steps(place):
        out += f"[{step}]" if isinstance(step, int) else f".{_printable(step)}"
    return out


def _printable(name: str) -> str:
    """A name as it stands, but line breaks and halves of characters escaped: no output could hold them."""
    return name if name.isprintable() else repr(name)[1:-1]


def to_findings(run: Run) -> list[Finding]:
    """The findings of a run in the order of discovery, with element paths."""
    root = run.outer.get("resourceType")
    name = root if isinstance(root, str) else "resource"
    return [
        finding(code, details, Position(path=path_text(name, place)), help_, severity=severity)  # type: ignore[arg-type]
        for code, place, details, help_, severity in run.found
    ]
