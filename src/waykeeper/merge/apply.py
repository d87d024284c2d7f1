"""Decisions -> one transaction: updates by id with the version read, creations that never overwrite."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from waykeeper.fhir import rewritten
from waykeeper.fhir.bundle import patient_resource
from waykeeper.fhir.conditions import condition
from waykeeper.fhir.names import IDENTIFIER_PATH
from waykeeper.fhir.ownership import offered_of
from waykeeper.fhir.resource import Maker
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.merge.model import Decision, Decisions, Resource
from waykeeper.plan.model import Plan

Form = Literal["put", "post"]
ABSENT = 'W/"0"'  # "only if it is not there": proven on a server before it is used


def apply(decisions: Decisions, *, form: Form = "post") -> Resource:
    """The transaction Bundle of all decisions that change something; no entries where none does.

    form   `put`: PUT of the computed id with `If-Match: W/"0"`; `post`: POST with ifNoneExist, the server gives the id.
           What stood once and was deleted is made by `post` in either: a server that keeps its history refuses the id
    """
    plan = decisions.plan
    system = plan.episode.clinic_url + IDENTIFIER_PATH
    made = [d for d in decisions.changing if not d.reference]
    urns = {f"{d.kind}/{_id(d)}": f"urn:uuid:{_id(d)}" for d in made}
    entries = []
    if not plan.patient.reference:
        entries.append(_patient(plan, urns))
    standing = {ref for ref, _ in decisions.standing}
    stood = _stood_once(decisions)
    entries += [_creation(d, urns, standing, "post" if _id(d) in stood else form, system) for d in made]
    entries += [_update(d, urns) for d in decisions.changing if d.reference]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def _id(decision: Decision) -> str:
    return str((decision.after or {})["id"])


def _stood_once(decisions: Decisions) -> frozenset[str]:
    """Ids of the plan that a server may have held before. Where the root that lists them is gone, each may be such."""
    root = next((d for d in decisions.rows if (d.item, d.part) == (str(PLAN_KEY), "plan")), None)
    if root is not None and root.before is not None:
        return frozenset(map(str, offered_of(root.before).get("ever", ())))
    lost = root is not None and any(d.reference for d in decisions.rows)
    return frozenset(_id(d) for d in decisions.changing if not d.reference) if lost else frozenset()


def _patient(plan: Plan, urns: dict[str, str]) -> Resource:
    """The Patient as a conditional create, where the server has none of this identifier."""
    reference = Maker(plan).patient_reference
    urn = f"urn:uuid:{reference.removeprefix('Patient/')}"
    urns[reference] = urn
    known = plan.patient.identifier
    request = {"method": "POST", "url": "Patient", "ifNoneExist": condition(known.system, known.value)}
    return {"fullUrl": urn, "resource": patient_resource(plan), "request": request}


def _creation(decision: Decision, urns: Mapping[str, str], standing: set[str], form: Form, system: str) -> Resource:
    resource: Resource = rewritten(_without_dangling(decision.after or {}, standing), urns)
    known = _id(decision)
    urn = f"urn:uuid:{known}"
    if form == "put":
        request = {"method": "PUT", "url": f"{decision.kind}/{known}", "ifMatch": ABSENT}
        return {"fullUrl": urn, "resource": resource, "request": request}
    body = {k: v for k, v in resource.items() if k != "id"}
    request = {"method": "POST", "url": decision.kind, "ifNoneExist": condition(system, known)}
    return {"fullUrl": urn, "resource": body, "request": request}


def _without_dangling(resource: Mapping[str, Any], standing: set[str]) -> Resource:
    """A mirror whose focus a person deleted is made without it: a reference to nothing is refused by servers."""
    focus = (resource.get("focus") or {}).get("reference")
    if resource.get("partOf") and focus and focus not in standing and _is_computed(str(focus)):
        return {k: v for k, v in resource.items() if k != "focus"}
    return dict(resource)


def _is_computed(reference: str) -> bool:
    parts = reference.partition("/")[2].split("-")
    return [len(p) for p in parts] == [8, 4, 4, 4, 12]


def _update(decision: Decision, urns: Mapping[str, str]) -> Resource:
    """The whole resource as it was just read, with our groups; it fails where somebody wrote in between."""
    resource: Resource = rewritten(decision.after or {}, urns)
    meta = dict(resource.get("meta") or {})
    version = meta.pop("versionId", "")
    meta.pop("lastUpdated", None)
    kind, _, known = decision.reference.partition("/")
    body = {**resource, "id": known} | ({"meta": meta} if meta else {})
    request = {"method": "PUT", "url": f"{kind}/{known}", "ifMatch": f'W/"{version}"'}
    return {"resource": body, "request": request}
