"""Which elements a decision writes, from what to what: the exact answer of a dry run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from waykeeper.fhir.names import OFFERED
from waykeeper.fhir.ownership import normal
from waykeeper.merge.model import Decision

OURS_ALONE = ("text", "meta", "resourceType", "id")  # narrative and bookkeeping go with any write of ours
LONGEST = 60  # characters of a value on a line


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One element: its path, what stands (None where nothing does) and what shall stand (None where it goes)."""

    path: str
    before: Any
    after: Any

    def json(self) -> dict[str, Any]:
        """With stable names."""
        return {"path": self.path, "before": self.before, "after": self.after}

    def text(self) -> str:
        """`restriction.period.end: 2026-03-13 -> 2026-03-20`."""
        return f"{self.path}: {_short(self.before)} -> {_short(self.after)}"


def fields_of(decision: Decision) -> tuple[FieldChange, ...]:
    """The elements that an update of a standing resource changes, in the order of their paths; values compared.

    A creation has none: the whole resource is new. Nothing is said of narrative, meta and our own bookkeeping.
    """
    if decision.after is None or decision.before is None or not decision.reference:
        return ()
    before, after = (dict(_leaves(_shown(r), "")) for r in (decision.before, decision.after))
    paths = sorted(before.keys() | after.keys())
    changed = [p for p in paths if normal(before.get(p)) != normal(after.get(p))]
    return tuple(FieldChange(path, before.get(path), after.get(path)) for path in changed)


def _shown(resource: Mapping[str, Any]) -> dict[str, Any]:
    kept = {k: v for k, v in resource.items() if k not in OURS_ALONE}
    extensions = [e for e in kept.get("extension") or [] if e.get("url") != OFFERED]
    return {**kept, "extension": extensions} if extensions else {k: v for k, v in kept.items() if k != "extension"}


def _leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    """(path, value) of every element that has a value; an extension goes by the last part of its url."""
    if isinstance(value, Mapping):
        for name, part in value.items():
            if name == "url" and ("extension" in value or any(k.startswith("value") for k in value)):
                continue
            yield from _leaves(part, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        seen: dict[str, int] = {}
        for part in value:
            name = _name_of(part)
            seen[name] = number = seen.get(name, -1) + 1
            place = f"{path.removesuffix('extension')}{name}" if name else path
            yield from _leaves(part, f"{place}[{number}]" if not name or number else place)
    elif value is not None:
        yield path, value


def _name_of(part: Any) -> str:
    url = part.get("url") if isinstance(part, Mapping) else None
    return str(url).rpartition("/")[2] if url else ""


def _short(value: Any) -> str:
    if value is None:
        return "nothing"
    text = " ".join(str(value).split())
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}..."
