"""Whose resource is it? One patient may be named by reference, by urn and by several identifiers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

Held = tuple[str, Mapping[str, Any]]
_POINTERS = ("subject", "patient", "for")


class Patients:
    """The resources of each patient, whichever name a resource uses. Built once over a whole caseload."""

    def __init__(self, resources: Sequence[Held]) -> None:
        """Group the resources; one that points at nobody belongs to no group."""
        self._first: dict[str, str] = {}
        self._held: dict[str, list[Held]] = {}
        named: dict[tuple[str, ...], list[tuple[int, Held]]] = {}  # most of a patient's resources use the same names
        for number, held in enumerate(resources):
            named.setdefault(_names(*held), []).append((number, held))
        named.pop((), None)
        for names in named:
            self._join(names)
        groups: dict[str, list[tuple[int, Held]]] = {}
        for names, found in named.items():
            groups.setdefault(self._root(names[0]), []).extend(found)
        for root, found in groups.items():
            self._held[root] = [held for _, held in sorted(found, key=_number)]

    def of(self, name: str) -> list[Held]:
        """The resources of the patient who has this identifier (`system|value`) or reference."""
        return self._held.get(self._root(name), [])

    def _root(self, name: str) -> str:
        while (first := self._first.get(name, name)) != name:
            name = first
        return name

    def _join(self, names: Sequence[str]) -> None:
        """All these names mean one patient."""
        roots = [self._root(name) for name in names]
        for name, root in zip(names, roots, strict=True):
            self._first.setdefault(name, root)
            self._first[root] = roots[0]


def _number(numbered: tuple[int, Held]) -> int:
    return numbered[0]


def _names(reference: str, resource: Mapping[str, Any]) -> tuple[str, ...]:
    """Every name of the patient that the resource is or points at."""
    if resource.get("resourceType") == "Patient":
        known = [f"{i.get('system') or ''}|{i['value']}" for i in resource.get("identifier") or [] if i.get("value")]
        return (reference, *known) if reference else tuple(known)
    found: list[str] = []
    for element in _POINTERS:
        if element in resource:
            found += _pointed(resource[element])
    for participant in resource.get("participant") or ():
        actor = participant.get("actor") if isinstance(participant, Mapping) else None
        if isinstance(actor, Mapping) and _is_patient(actor):
            found += _pointed(actor)
    return tuple(found)


def _is_patient(actor: Mapping[str, Any]) -> bool:
    reference = str(actor.get("reference") or "")
    return actor.get("type") == "Patient" or "Patient/" in reference or reference.startswith("Patient?")


def _pointed(pointer: Any) -> list[str]:
    if not isinstance(pointer, Mapping):
        return []
    found = []
    reference = str(pointer.get("reference") or "").split("/_history/")[0]
    if "identifier=" in reference:
        found.append(reference.partition("identifier=")[2])
    elif reference.startswith("urn:"):
        found.append(reference)
    elif reference:
        found.append("/".join(reference.split("/")[-2:]))
    identifier = pointer.get("identifier")
    if isinstance(identifier, Mapping) and identifier.get("value"):
        found.append(f"{identifier.get('system') or ''}|{identifier['value']}")
    return found
