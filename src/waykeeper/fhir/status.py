"""What a status means to Waykeeper, by type. One table; a code that is not in it counts as busy."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from waykeeper.plan.model import StatusClass

_TABLE: Mapping[str, Mapping[StatusClass, tuple[str, ...]]] = {
    "CarePlan": {
        "open": ("draft", "active", "on-hold"), "done": ("completed",), "withdrawn": ("revoked",),
    },
    "ServiceRequest": {
        "open": ("draft", "active", "on-hold"), "done": ("completed",), "withdrawn": ("revoked",),
    },
    "Appointment": {
        "open": ("proposed",), "busy": ("pending", "waitlist", "booked", "arrived", "checked-in"),
        "done": ("fulfilled", "noshow"), "withdrawn": ("cancelled",),
    },
    "Task": {
        "open": ("draft", "requested", "ready"), "busy": ("received", "accepted", "in-progress", "on-hold"),
        "done": ("completed", "failed", "rejected"), "withdrawn": ("cancelled",),
    },
    "MedicationRequest": {
        "open": ("on-hold", "draft"), "done": ("stopped", "completed"), "withdrawn": ("cancelled",),
    },
    "CommunicationRequest": {
        "open": ("draft", "active", "on-hold"), "done": ("completed",), "withdrawn": ("revoked",),
    },
    "Goal": {
        "open": ("proposed", "planned", "accepted", "active", "on-hold"), "done": ("completed",),
        "withdrawn": ("cancelled", "rejected"),
    },
    "Flag": {"open": ("active",), "done": ("inactive",)},
    "DetectedIssue": {
        "open": ("registered", "preliminary", "final"), "done": ("amended", "corrected"), "withdrawn": ("cancelled",),
    },
}  # fmt: skip
_CLASS: Mapping[str, Mapping[str, StatusClass]] = {
    kind: {code: cls for cls, codes in classes.items() for code in codes} | {"entered-in-error": "void"}
    for kind, classes in _TABLE.items()
}


def status_element(kind: str) -> str:
    """The element that holds the status: Goal names it differently."""
    return "lifecycleStatus" if kind == "Goal" else "status"


def status(resource: Mapping[str, Any]) -> str:
    """The resource's status code, "" where there is none."""
    return str(resource.get(status_element(resource["resourceType"])) or "")


def status_class(resource: Mapping[str, Any]) -> StatusClass:
    """open, busy, done, withdrawn or void."""
    return _CLASS.get(resource["resourceType"], {}).get(status(resource), "busy")


def table() -> Mapping[str, Mapping[StatusClass, tuple[str, ...]]]:
    """The table itself, for documentation and tests."""
    return _TABLE
