"""Take a resource back by its status, with a reason, and bring it back. Nothing is ever deleted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.names import REASON_URL
from waykeeper.fhir.ownership import GROUPS, digest, offered_of, with_offered
from waykeeper.fhir.status import status, status_element
from waykeeper.merge.groups import offer, offers, untouched, weave
from waykeeper.merge.model import Resource

# type -> status when withdrawn, element that holds the reason ("" where the type has none)
WITHDRAWN: Mapping[str, tuple[str, str]] = {
    "CarePlan": ("revoked", "note"),
    "ServiceRequest": ("revoked", "extension"),
    "Appointment": ("cancelled", "cancelationReason"),
    "Task": ("cancelled", "statusReason"),
    "MedicationRequest": ("cancelled", "statusReason"),
    "CommunicationRequest": ("revoked", "statusReason"),
    "Goal": ("cancelled", "statusReason"),
    "Flag": ("inactive", ""),
    "DetectedIssue": ("cancelled", ""),
}
NOTE = "Withdrawn: "


def withdrawn(standing: Mapping[str, Any], reason: str) -> Resource:
    """The resource withdrawn by us: everything else stands, and the status before is remembered."""
    kind = standing["resourceType"]
    code, holder = WITHDRAWN[kind]
    made: Resource = {**standing, status_element(kind): code}
    if holder == "note":
        made["note"] = [*(standing.get("note") or []), {"text": NOTE + reason}]
    elif holder == "extension":
        kept = [e for e in standing.get("extension") or [] if e.get("url") != REASON_URL]
        made["extension"] = [*kept, {"url": REASON_URL, "valueCodeableConcept": {"text": reason}}]
    elif kind == "Goal":
        made["statusReason"] = reason
    elif holder:
        made[holder] = {"text": reason}
    told = {g: digest(standing, g) if untouched(standing, g) else offer(standing, g) for g in GROUPS}
    return reoffered(made, told | {"status": digest(made, "status")}, before=status(standing))


def by_us(standing: Mapping[str, Any]) -> bool:
    """True if we withdrew it and nobody changed its status since."""
    return bool(offer(standing, "before")) and offer(standing, "status") == digest(standing, "status")


def reinstated(standing: Mapping[str, Any], wanted: Mapping[str, Any], groups: Mapping[str, Any]) -> Resource:
    """The resource as before our withdrawal, its reason cleared; `groups` are the verdicts of the other groups."""
    write = {g for g, verdict in groups.items() if verdict == "write"} | {"status"}
    made = weave(standing, wanted, write)
    made["extension"] = [e for e in made["extension"] if e.get("url") != REASON_URL]
    if standing["resourceType"] == "CarePlan":
        notes = _without_reason(standing.get("note") or [])
        made.pop("note", None)
        made |= {"note": notes} if notes else {}
    element, before = status_element(standing["resourceType"]), offer(standing, "before")
    if not (standing["resourceType"] == "Task" and before in ("requested", "ready")):
        made[element] = before or made.get(element)
    told = offers(wanted, standing, {**groups, "status": "write"})
    return reoffered(made, told, before="")


def _without_reason(notes: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The notes but for the last that is a reason of ours, which has no author; what people wrote stays."""
    ours = [n for n, one in enumerate(notes) if one.keys() <= {"id", "text"} and str(one.get("text")).startswith(NOTE)]
    return [one for n, one in enumerate(notes) if n not in ours[-1:]]


def reoffered(made: Resource, told: Mapping[str, str], **changed: Any) -> Resource:
    """The resource with these digests; what else its offer says is kept unless changed."""
    said = offered_of(made)
    kept: dict[str, Any] = {
        "before": str(next(iter(said.get("before", [])), "")),
        "surgery": str(next(iter(said.get("surgery", [])), "")),
        "merged": str(next(iter(said.get("merged", [])), "")),
        "ever": tuple(map(str, said.get("ever", []))),
        "settled": tuple(map(str, said.get("settled", []))),
    }
    return with_offered(made, **{**kept, **changed}, digests=told)
