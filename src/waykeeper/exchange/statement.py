"""What a server says of itself: its CapabilityStatement, read in one place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Statement:
    """The parts of a CapabilityStatement that are looked at, over all that it says of itself as a server.

    What it omits is unknown, not missing: an empty `types` means that it lists none.
    """

    version: str = ""
    types: frozenset[str] = frozenset()
    interactions: frozenset[str] = frozenset()
    operations: frozenset[str] = frozenset()
    url: str = ""  # its base address, as it knows it itself

    def lists(self, kind: str) -> bool:
        """False where types are listed, and not this one."""
        return not self.types or kind in self.types


def statement_of(document: Any) -> Statement | None:
    """The statement in an answer to `metadata`, None where that is no CapabilityStatement."""
    if not isinstance(document, Mapping) or document.get("resourceType") != "CapabilityStatement":
        return None
    rest = [r for r in document.get("rest") or () if isinstance(r, Mapping) and r.get("mode") == "server"]
    resources = [one for r in rest for one in r.get("resource") or ()]
    return Statement(
        str(document.get("fhirVersion") or ""),
        frozenset(str(one.get("type")) for one in resources),
        frozenset(str(one.get("code")) for r in rest for one in r.get("interaction") or ()),
        frozenset(str(name).removeprefix("$") for one in (*rest, *resources) for name in _operations(one)),
        _address(document.get("implementation")),
    )


def _address(implementation: Any) -> str:
    return str(implementation.get("url") or "").rstrip("/") if isinstance(implementation, Mapping) else ""


def _operations(part: Mapping[str, Any]) -> Iterator[Any]:
    return (one.get("name") for one in part.get("operation") or ())
