"""Resources in a record that are about another patient than hers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.record.references import relative

Resource = Mapping[str, Any]
_POINTERS = ("subject", "patient")


def of_others(resources: Sequence[tuple[str, Resource]]) -> list[str]:
    """The names of the resources that point at somebody else; `resources` hold one Patient.

    A pointer is hers where its reference names the Patient as the record does, by urn or by id. Where the Patient has
    no id, an id is hers only if every pointer has that one: with two, or beside her urn, nobody knows whose it is. One
    that gives only an identifier is another's where the Patient has another value in the same system.
    """
    own, patient = next((ref, r) for ref, r in resources if r.get("resourceType") == "Patient")
    by_id = f"Patient/{patient['id']}" if patient.get("id") else _only_name(resources)
    numbers: dict[str, set[str]] = {}
    for entry in patient.get("identifier") or ():
        numbers.setdefault(str(entry.get("system") or ""), set()).add(str(entry.get("value") or ""))
    found = []
    for reference, resource in resources:
        if any(_anothers(pointer, own, by_id, numbers) for pointer in _pointers(resource)):
            found.append(reference or str(resource.get("resourceType")))
    return found


def _pointers(resource: Resource) -> list[Resource]:
    return [p for name in _POINTERS if isinstance(p := resource.get(name), Mapping)]


def _only_name(resources: Sequence[tuple[str, Resource]]) -> str:
    """The one name by which all pointers call their patient, "-" where there are several: then no id is hers."""
    literal = {relative(str(p.get("reference") or "")) for _, r in resources for p in _pointers(r)}
    named = {name for name in literal if name.startswith(("urn:", "Patient/"))}
    return named.pop() if len(named) == 1 else "-"


def _anothers(pointer: Resource, own: str, by_id: str, numbers: Mapping[str, set[str]]) -> bool:
    literal = relative(str(pointer.get("reference") or ""))
    if literal.startswith("urn:"):
        return bool(own) and literal != own
    if literal.startswith("Patient/"):
        return literal != by_id
    identifier = pointer.get("identifier")
    if literal or not isinstance(identifier, Mapping) or pointer.get("type") not in (None, "Patient"):
        return False
    known = numbers.get(str(identifier.get("system") or ""), set())
    return bool(known) and str(identifier.get("value") or "") not in known
