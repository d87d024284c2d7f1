"""Which Medication an order points at, and which Substance that does, by the rules of references in a Bundle.

FHIR R4, bundle, 2.36.4.1.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from waykeeper.record.references import relative

Resource = Mapping[str, Any]
PRODUCTS = ("Medication", "Substance")  # what an ingredient may point at (FHIR R4, Medication.ingredient.itemReference)
WEB = ("http://", "https://")


def base_of(address: str, resource: Resource) -> str:
    """The address of the server, `https://a.example/fhir/`, in that of a resource of it; "" where it is none."""
    own = f"{resource.get('resourceType')}/{resource.get('id')}"
    plain = address.partition("/_history/")[0]
    return plain.removesuffix(own) if plain.startswith(WEB) and plain.endswith(f"/{own}") else ""


def name_of(address: str, resource: Resource) -> str:
    """The address of one of a server, so that two servers' Medication/1 stay two; "" for anything else."""
    server = base_of(address, resource) if resource.get("resourceType") in PRODUCTS else ""
    return f"{server}{resource['resourceType']}/{resource['id']}" if server else ""


def absolute(resource: dict[str, Any], address: str) -> dict[str, Any]:
    """An order whose reference to its Medication names the server that the order is of, as its address says."""
    pointer = resource.get("medicationReference")
    target = str(pointer.get("reference") or "") if isinstance(pointer, dict) else ""
    server = base_of(address, resource)
    if not server or not target.startswith("Medication/"):
        return resource
    return {**resource, "medicationReference": {**pointer, "reference": server + target}}  # type: ignore[dict-item]


def own_name(name: str, resource: Resource) -> str:
    """`Type/id` of a resource, by its own id, else by the name that it was found under."""
    return f"{resource['resourceType']}/{resource['id']}" if resource.get("id") else relative(name)


def pointed_at(resource: Resource) -> Iterator[str]:
    """The references to Medications and Substances in an order, a statement or a Medication, as they are written."""
    for one in (resource, *(resource.get("contained") or ())):
        pointers = [one.get("medicationReference")]
        if one.get("resourceType") in PRODUCTS:
            pointers += [part.get("itemReference") for part in one.get("ingredient") or ()]
        for pointer in pointers:
            if isinstance(pointer, Mapping) and (reference := str(pointer.get("reference") or "")):
                yield reference


class Medications:
    """The Medications of a record, and the Substances in them, by address, urn and id."""

    def __init__(self, resources: Iterable[tuple[str, Resource]]) -> None:
        """From (reference, resource) pairs."""
        self._by_name: dict[str, Resource] = {}
        self._by_id: dict[str, list[tuple[str, Resource]]] = {}
        for name, resource in resources:
            if resource.get("resourceType") not in PRODUCTS:
                continue
            self._by_name[name] = resource
            self._by_id.setdefault(own_name(name, resource), []).append((name, resource))

    def find(self, target: str) -> Resource | None:
        """The one Medication or Substance that a reference names; None where none or several may be meant.

        Of an address that is not here, one that says no server may be meant; never one of another server.
        """
        plain = target.partition("/_history/")[0]
        if plain.startswith(WEB) and plain in self._by_name:
            return self._by_name[plain]
        if plain.startswith("urn:"):
            return self._by_name.get(plain)
        found = self._by_id.get(relative(plain), [])
        if plain.startswith(WEB):
            found = [(name, one) for name, one in found if not name.startswith(WEB)]
        return found[0][1] if found and _alike([one for _, one in found]) else None

    def found(self, order: Resource) -> bool:
        """Whether the Medication that an order points at is here."""
        return any(self.find(name) is not None for name in pointed_at(order))

    def doubtful(self, target: str) -> bool:
        """Whether several different Medications may be meant."""
        return not _alike([one for _, one in self._by_id.get(relative(target.partition("/_history/")[0]), [])])


def _alike(found: Sequence[Resource]) -> bool:
    """One Medication that came twice, as pages and searches give it, is one."""
    return len({str(one.get("code")) + str(one.get("form")) + str(one.get("ingredient")) for one in found}) < 2
