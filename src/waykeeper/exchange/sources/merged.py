"""Numbers of patients that a hospital made one: whoever is known by one of them is known by all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from waykeeper.fhir.patients import Names
from waykeeper.plan.model import Evidence


def joined(evidence: Iterable[Evidence], merged: Sequence[tuple[str, ...]]) -> list[Evidence]:
    """The evidence, each with every number of its patient, her own first.

    merged   identifiers (`system|value`) that are one patient's, a merge each; merges that share one are one patient
    """
    groups = _together(merged)
    known = {name: group for group in groups for name in group}
    return [_known_by_all(one, known) for one in evidence] if known else list(evidence)


def _together(merged: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """The numbers of each patient, in the order in which they were told; a year of messages holds many thousands."""
    known = Names()
    for names in merged:
        known.join(names)
    groups: dict[str, dict[str, None]] = {}
    for names in merged:
        for name in names:
            groups.setdefault(known.root(name), {})[name] = None
    return [tuple(group) for group in groups.values()]


def _known_by_all(one: Evidence, known: dict[str, tuple[str, ...]]) -> Evidence:
    names = tuple(dict.fromkeys((*one.patient, *(n for name in one.patient for n in known.get(name, ())))))
    return replace(one, patient=names) if names != one.patient else one
