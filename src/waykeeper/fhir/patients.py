"""Whose resource is it? One patient may be named by reference, by urn and by several identifiers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
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
    found: tuple[str, ...] = ()
    for element in _POINTERS:
        if element in resource:
            found += _pointed(resource[element])
    for participant in resource.get("participant") or ():
        actor = participant.get("actor") if isinstance(participant, dict) else None
        if isinstance(actor, dict) and _is_patient(actor):
            found += _pointed(actor)
    return found


def _is_patient(actor: Mapping[str, Any]) -> bool:
    reference = str(actor.get("reference") or "")
    return actor.get("type") == "Patient" or "Patient/" in reference or reference.startswith("Patient?")


def _pointed(pointer: Any) -> tuple[str, ...]:
    """The names in a Reference, the literal one first."""
    if not isinstance(pointer, dict):
        return ()
    held = pointer.get("identifier")
    identifier = held if isinstance(held, dict) else {}
    value = identifier.get("value")
    known = f"{identifier.get('system') or ''}|{value}" if value else ""
    return _names_of(str(pointer.get("reference") or ""), known)


@lru_cache(maxsize=4096)  # all resources of a patient point the same way
def _names_of(reference: str, identifier: str) -> tuple[str, ...]:
    reference = reference.split("/_history/", maxsplit=1)[0]
    if "identifier=" in reference:
        literal = reference.partition("identifier=")[2]
    else:
        literal = reference if reference.startswith("urn:") else "/".join(reference.split("/")[-2:])
    return tuple(name for name in (literal, identifier) if name)
