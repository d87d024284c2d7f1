"""Whose booking a statement is: what is said of one number, apart for each patient whom it names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from waykeeper.exchange.sources.model import Statement
from waykeeper.plan.model import Evidence


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
    for one in group:
        if not one.evidence.patient:
            nameless.append(one)
            continue
        same = [p for p in people if any(_share(s.evidence, one.evidence) for s in p)]
        same = same or [p for p in people if not any(apart(s.evidence, one.evidence) for s in p)]
        if len(same) == 1:
            same[0].append(one)
        else:
            people.append([one])
    return Said(people, nameless)


def _share(one: Evidence, other: Evidence) -> bool:
    return bool({*one.patient} & {*other.patient})


def apart(one: Evidence, other: Evidence) -> bool:
    """True where a system of identifiers stands in both and they share no name: two people."""
    systems = {n.rpartition("|")[0] for n in one.patient if "|" in n}
    return not _share(one, other) and bool(systems & {n.rpartition("|")[0] for n in other.patient if "|" in n})


def with_names(one: Evidence, others: Sequence[Statement]) -> Evidence:
    """The same with the patient's identifiers of further systems, as earlier statements of the booking gave them."""
    systems = {n.rpartition("|")[0] for n in one.patient}
    told = [n for s in others for n in s.evidence.patient if n.rpartition("|")[0] not in systems]
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
