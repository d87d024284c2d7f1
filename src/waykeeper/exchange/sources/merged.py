"""Numbers of patients that a hospital made one: whoever is known by one of them is known by all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from waykeeper.fhir.patients import Names
from waykeeper.plan.model import Evidence, Plan, State


def joined(evidence: Iterable[Evidence], merged: Sequence[tuple[str, ...]]) -> list[Evidence]:
    """The evidence, each with every number of its patient, her own first.

    merged   identifiers (`system|value`) that are one patient's, a merge each; merges that share one are one patient
    """
    groups = _together(merged)
    known = {name: group for group in groups for name in group}
    return [_known_by_all(one, known) for one in evidence] if known else list(evidence)


def plans_joined(plans: Sequence[tuple[Plan, State]], merged: Sequence[tuple[str, ...]]) -> list[tuple[Plan, State]]:
    """The plans, each whose patient's number was merged with the others, as `merged` in `joined` has them.

    So a theatre list, a booking and a second plan under either number are the same patient's.
    """
    known = {name: group for group in _together(merged) for name in group}
    return [(_numbered(plan, known), state) for plan, state in plans] if known else list(plans)


def _numbered(plan: Plan, known: dict[str, tuple[str, ...]]) -> Plan:
    who = plan.patient
    own = (str(who.identifier), *who.merged)
    every = dict.fromkeys((*who.merged, *(n for name in own for n in known.get(name, ()) if n != own[0])))
    return plan if tuple(every) == who.merged else replace(plan, patient=replace(who, merged=tuple(every)))


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
