"""Whose resource is it? One patient may be named by reference, by urn and by several identifiers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

Held = tuple[str, Mapping[str, Any]]
_POINTERS = ("subject", "patient", "for")


class Patients:
    """The resources of each patient, whichever name a resource uses. Built once over a whole caseload."""

    def __init__(self, resources: Sequence[Held]) -> None:
        """Group the resources; one that points at nobody belongs to no group."""
        self._first: dict[str, str] = {}
        self._held: dict[str, list[Held]] = {}
        for reference, resource in resources:
            self._join(list(_names(reference, resource)))
        for reference, resource in resources:
            for name in {self._root(n) for n in _names(reference, resource)}:
                self._held.setdefault(name, []).append((reference, resource))

    def of(self, name: str) -> list[Held]:
        """The resources of the patient who has this identifier (`system|value`) or reference."""
        return self._held.get(self._root(name), [])

    def _root(self, name: str) -> str:
        while (first := self._first.get(name, name)) != name:
            name = first
        return name

    def _join(self, names: list[str]) -> None:
        """All these names mean one patient."""
        roots = [self._root(name) for name in names]
        for name, root in zip(names, roots, strict=True):
            self._first.setdefault(name, root)
            self._first[root] = roots[0]


def _names(reference: str, resource: Mapping[str, Any]) -> Iterator[str]:
    """Every name of the patient that the resource is or points at."""
    if resource.get("resourceType") == "Patient":
        if reference:
            yield reference
        yield from (f"{i.get('system') or ''}|{i['value']}" for i in resource.get("identifier") or [] if i.get("value"))
        return
    for element in _POINTERS:
        yield from _pointed(resource.get(element))
    for participant in resource.get("participant") or []:
        actor = participant.get("actor") if isinstance(participant, Mapping) else None
        if isinstance(actor, Mapping) and _is_patient(actor):
            yield from _pointed(actor)


def _is_patient(actor: Mapping[str, Any]) -> bool:
    reference = str(actor.get("reference") or "")
    return actor.get("type") == "Patient" or "Patient/" in reference or reference.startswith("Patient?")


def _pointed(pointer: Any) -> Iterator[str]:
    if not isinstance(pointer, Mapping):
        return
    reference = str(pointer.get("reference") or "").split("/_history/")[0]
    if "identifier=" in reference:
        yield reference.partition("identifier=")[2]
    elif reference.startswith("urn:"):
        yield reference
    elif reference:
        yield "/".join(reference.split("/")[-2:])
    identifier = pointer.get("identifier")
    if isinstance(identifier, Mapping) and identifier.get("value"):
        yield f"{identifier.get('system') or ''}|{identifier['value']}"
