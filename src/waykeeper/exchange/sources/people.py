"""Whose booking a statement is: what is said of one number, apart for each patient whom it names."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from waykeeper.exchange.sources.model import Statement
from waykeeper.plan.model import Evidence
from waykeeper.record import system_of


class Said(NamedTuple):
    """What was said of one number: apart for each patient, and by what names nobody."""

    people: list[list[Statement]]
    nameless: list[Statement]


def by_patient(group: Sequence[Statement]) -> Said:
    """The statements of one number, apart for each patient, in the order of the first about each.

    Two sets of identifiers are one patient where they share one; where no system stands in both, nothing tells them
    apart, and the number makes them one as long as there is only one whom it could mean.
    """
    people: list[list[Statement]] = []
    nameless: list[Statement] = []
    named: defaultdict[str, set[int]] = defaultdict(set)  # a number that is used for thousands is read in one pass
    systems: list[set[str]] = []
    kinds: defaultdict[frozenset[str], set[int]] = defaultdict(set)
    for one in group:
        names = one.evidence.patient
        if not names:
            nameless.append(one)
            continue
        here = _systems(one.evidence)
        same = set().union(*(named[name] for name in names))
        same = same or {n for known, those in kinds.items() if not known & here for n in those}
        n = next(iter(same)) if len(same) == 1 else len(people)
        if n == len(people):
            people.append([])
            systems.append(set())
        people[n].append(one)
        kinds[frozenset(systems[n])].discard(n)
        systems[n] |= here
        kinds[frozenset(systems[n])].add(n)
        for name in names:
            named[name].add(n)
    return Said(people, nameless)


def _systems(one: Evidence) -> set[str]:
    return {system_of(n) for n in one.patient if "|" in n}


def _share(one: Evidence, other: Evidence) -> bool:
    return bool({*one.patient} & {*other.patient})


def apart(one: Evidence, other: Evidence) -> bool:
    """True where a system of identifiers stands in both and they share no name: two people."""
    return not _share(one, other) and bool(_systems(one) & _systems(other))


def with_names(one: Evidence, others: Sequence[Statement]) -> Evidence:
    """The same with the patient's identifiers of further systems, as earlier statements of the booking gave them."""
    systems = {system_of(n) for n in one.patient}
    told = [n for s in others for n in s.evidence.patient if system_of(n) not in systems]
    return replace(one, patient=(*one.patient, *dict.fromkeys(told))) if told else one


def for_each(one: Evidence, patients: Sequence[tuple[str, ...]]) -> list[Evidence]:
    """One Evidence for each patient of a class, the same one where there is one patient at most.

    That a class took place says of nobody in particular that she came: it stays `booked` for each, as an Appointment
    of several patients does.
    """
    if len(patients) < 2:
        return [one]
    status = "booked" if one.status in OF_SOME else one.status
    return [
        replace(
            one, reference=one.reference if n == 1 else f"{one.reference}/patient-{n}", patient=names, status=status
        )
        for n, names in enumerate(patients, 1)
    ]


# States of a whole class that leave open who of those who were to come did (FHIR R4 Appointment.status).
OF_SOME = ("arrived", "checked-in", "fulfilled", "noshow")
