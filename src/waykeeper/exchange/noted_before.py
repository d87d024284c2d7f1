"""A note whose resource stands already, on a server that did not keep the name that we gave it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.names import IDENTIFIER_PATH, NOTE_PATH
from waykeeper.fhir.ownership import normal

NOT_SAID = ("id", "meta", "text", "identifier", "status")  # by the note itself; its status is looked at apart
RETRACTED = "entered-in-error"

Held = tuple[str, dict[str, Any]]


def noted_before(held: Sequence[Held], resource: Mapping[str, Any], number: int) -> Held | None:
    """What says the same as the `number`-th of equal notes, among what has lost our name; None where there are fewer.

    What kept its name is found by that. Of several those that were entered in error come last.
    """
    said = _said(resource)
    same = [
        (ref, one)
        for ref, one in held
        if one.get("resourceType") == resource["resourceType"] and not _named(one) and _said(one) == said
        if one.get("status") in (resource["status"], RETRACTED)
    ]
    same.sort(key=lambda pair: pair[1].get("status") == RETRACTED)
    return same[number - 1] if number <= len(same) else None


def _named(resource: Mapping[str, Any]) -> bool:
    systems = (str(entry.get("system") or "") for entry in resource.get("identifier") or ())
    return any(system.endswith((NOTE_PATH, IDENTIFIER_PATH)) for system in systems)


def _said(resource: Mapping[str, Any]) -> Any:
    return normal({name: value for name, value in resource.items() if name not in NOT_SAID})
