"""Whose resource is it? One patient may be named by reference, by urn and by several identifiers; some are many's."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any

from waykeeper.fhir.extensions import find
from waykeeper.fhir.names import PLAN
from waykeeper.record import identifier_names, literal_name, system_of

Held = tuple[str, Mapping[str, Any]]
Persons = tuple[tuple[str, ...], ...]
_POINTERS = ("subject", "patient", "for")


class Names:
    """Names of which some mean the same patient: references, and identifiers as `system|value`."""

    def __init__(self) -> None:
        """No name is known yet."""
        self._first: dict[str, str] = {}

    def join(self, names: Sequence[str]) -> None:
        """All these names mean one patient."""
        roots = [self.root(name) for name in names]
        for name, root in zip(names, roots, strict=True):
            self._first.setdefault(name, root)
            self._first[root] = roots[0]

    def root(self, name: str) -> str:
        """The one name that stands for all that mean the same; the name itself where it is not known."""
        while (first := self._first.get(name, name)) != name:
            name = first
        return name

    def __contains__(self, name: str) -> bool:
        """Whether the name was joined with others, or stands alone by a join of its own."""
        return name in self._first


class Patients:
    """The resources of each patient, whichever name a resource uses. Built once over a whole caseload."""

    def __init__(self, resources: Sequence[Held], systems: Collection[str]) -> None:
        """Group the resources; one that points at nobody belongs to no group, one about several to each of them.

        `systems` are those of the identifiers by which plans name their patients. Patients who have none of these in
        common are different people, and another identifier that they share, as a family may, names neither. Only
        Patients and our own plans say which names are one person's; what names two people is nobody's.
        """
        self._shared = _shared(resources, systems)
        self._known = Names()
        self._held: dict[str, list[Held]] = {}
        about: dict[Persons, list[tuple[int, Held]]] = {}  # most of a patient's resources use the same names
        for number, held in enumerate(resources):
            persons = persons_of(*held)
            about.setdefault(persons, []).append((number, held))
            for names in persons if _says_who(held[1]) else ():
                self._known.join(self._telling(names))
        groups: dict[str, list[tuple[int, Held]]] = {}
        for persons, found in about.items():
            for root in dict.fromkeys(root for names in persons if (root := self._whose(names))):
                groups.setdefault(root, []).extend(found)
        for root, found in groups.items():
            self._held[root] = [held for _, held in sorted(found, key=itemgetter(0))]

    def of(self, name: str) -> list[Held]:
        """The resources of the patient who has this identifier (`system|value`) or reference."""
        return self._held.get(self._known.root(name), [])

    def _whose(self, names: tuple[str, ...]) -> str:
        """The patient whom all known names mean; "" where none is known, or two people are meant."""
        roots = {self._known.root(name) for name in self._telling(names) if name in self._known}
        return roots.pop() if len(roots) == 1 else ""

    def _telling(self, names: tuple[str, ...]) -> Sequence[str]:
        """The names that are one person's only."""
        return [name for name in names if name not in self._shared] if self._shared else names


def _shared(resources: Sequence[Held], systems: Collection[str]) -> frozenset[str]:
    """The identifiers of other systems that several people have."""
    patients = [(ref, r) for ref, r in resources if r.get("resourceType") == "Patient"]
    merged = any("link" in r for _, r in patients)
    own = Names()
    told = []
    for ref, patient in patients:
        names = identifier_names(patient)
        firm = [n for n in names if system_of(n) in systems]
        told.append((ref, names, firm))
        own.join([n for n in (ref, *firm, *merged_with(patient)) if n] if merged else firm)
    holders: dict[str, set[str]] = {}
    for ref, names, firm in told:
        person = own.root(firm[0] if firm else ref)
        for name in names:
            if name not in firm:
                holders.setdefault(name, set()).add(person)
    return frozenset(name for name, people in holders.items() if len(people) > 1)


def _says_who(resource: Mapping[str, Any]) -> bool:
    kind = resource.get("resourceType")
    return kind == "Patient" or (kind == "CarePlan" and find(resource, PLAN) is not None)


def persons_of(reference: str, resource: Mapping[str, Any]) -> Persons:
    """Each patient that a resource is or points at, by every name that it gives her, a literal reference first.

    Those who take part in an Appointment are different people: a class has many.
    """
    if resource.get("resourceType") == "Patient":
        known = (*identifier_names(resource), *merged_with(resource))
        own = (reference, *known) if reference else known
        return (own,) if own else ()
    subject: tuple[str, ...] = ()
    for element in _POINTERS:
        if element in resource:
            subject += _pointed(resource[element])
    found: Persons = (subject,) if subject else ()
    for participant in resource.get("participant") or ():
        actor = participant.get("actor") if isinstance(participant, dict) else None
        if isinstance(actor, dict) and _is_patient(actor) and (names := _pointed(actor)):
            found += (names,)
    return found


# FHIR R4 link-type: replaced-by "The patient resource containing this link must no longer be used. The link points
# forward to another patient resource that must be used in lieu of" it; replaces "points back to an inactive patient
# resource that has been merged into this resource". `refer` and `seealso` leave both in use, and apart.
_MERGED = ("replaced-by", "replaces")


def merged_with(patient: Mapping[str, Any]) -> tuple[str, ...]:
    """The names of the Patients that were merged into this one, or that it was merged into, as its links say."""
    links = [link for link in patient.get("link") or () if isinstance(link, dict) and link.get("type") in _MERGED]
    others = [other for link in links if isinstance(other := link.get("other"), dict)]
    return tuple([name for one in others if _is_patient(one) or _is_a_number(one) for name in _pointed(one)])


def _is_a_number(other: Mapping[str, Any]) -> bool:
    """A link by an identifier alone, which need not say whether it is of a Patient or of a RelatedPerson."""
    return not other.get("reference") and not other.get("type")


def _is_patient(actor: Mapping[str, Any]) -> bool:
    reference = str(actor.get("reference") or "")
    return actor.get("type") == "Patient" or "Patient/" in reference or reference.startswith("Patient?")


def _pointed(pointer: Any) -> tuple[str, ...]:
    """The names in a Reference, the literal one first."""
    if not isinstance(pointer, dict):
        return ()
    known, held = "", pointer.get("identifier")
    if isinstance(held, dict) and (value := held.get("value")):
        known = f"{held.get('system') or ''}|{value}"
    return _both(str(pointer.get("reference") or ""), known)


@lru_cache(maxsize=4096)  # all resources of a patient point the same way
def _both(reference: str, identifier: str) -> tuple[str, ...]:
    literal = "" if reference.startswith("#") else literal_name(reference)  # contained: another's in each resource
    return tuple(name for name in (literal, identifier) if name)
