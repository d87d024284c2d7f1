"""What is wrong with the evidence itself, before anything is matched. Findings name references, never people."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from waykeeper.findings import Finding, Position, finding
from waykeeper.gaps.match import links_of_others
from waykeeper.gaps.plans import names
from waykeeper.gaps.says import APPOINTMENT, same_patient
from waykeeper.gaps.worklist import unique
from waykeeper.plan.model import Evidence, Plan, State

# Encounter states of FHIR R4; those that say nothing of an attendance are listed in the report and count as nothing.
_ENCOUNTER = frozenset(
    {"planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "entered-in-error", "unknown"}
)


def check(evidence: Iterable[Evidence]) -> tuple[Finding, ...]:
    """Findings about appointments and encounters (WKG101 to WKG105), in the order of their references."""
    parts = sorted(unique(evidence), key=lambda e: (e.reference, e.status))
    appointments = {name: e for e in parts if e.kind == "appointment" for name in (e.reference, *e.identifiers)}
    found: list[Finding] = []
    for before, part in zip((None, *parts), parts, strict=False):
        found += _alone(part)
        if before is not None and before.reference == part.reference:
            found.append(_say("WKG103", part, f"{part.reference} is there twice, as {before.status} and {part.status}"))
        found += _joined(part, [appointments.get(name) for name in (part.appointment, *part.appointments)])
    return tuple(found)


def of_others(evidence: Iterable[Evidence], plans: Iterable[tuple[Plan, State]]) -> tuple[Finding, ...]:
    """Findings WKG106: what is booked or was attended for one patient on an order in the plan of another."""
    return tuple(
        _say("WKG106", part, f"{part.reference} is of one patient, and its order is {item.key} in {_whose(plan)}")
        for part, plan, item in links_of_others(unique(evidence), plans, names)
    )


def _whose(plan: Plan) -> str:
    return f"the plan of {plan.patient.reference}" if plan.patient.reference else "the plan of another"


def _say(code: str, part: Evidence, details: str) -> Finding:
    return finding(code, details, Position(file=part.origin, path=part.reference))


def _alone(part: Evidence) -> Sequence[Finding]:
    found = []
    if not part.patient:
        found.append(_say("WKG101", part, f"{part.reference} names no patient"))
    if part.kind != "order" and part.status not in (_ENCOUNTER if part.kind == "encounter" else APPOINTMENT):
        found.append(_say("WKG102", part, f"{part.reference} has the status {part.status!r}"))
    return found


def _joined(part: Evidence, named: Sequence[Evidence | None]) -> Sequence[Finding]:
    """`named`: the Appointment of each of its names, None where it is not there. One that is there is enough."""
    if part.kind != "encounter" or not part.appointment:
        return ()
    here = [owner for owner in named if owner is not None]
    if not here:
        return (_say("WKG104", part, f"{part.reference} names {part.appointment}, which is not there"),)
    owner = here[0]
    if not any(same_patient(one, part) for one in here):
        details = f"{part.reference} and its appointment {owner.reference} name different patients"
        return (_say("WKG105", part, details),)
    return ()
