"""When a medicine was last taken, as far as one resource says it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, time
from typing import Any

from waykeeper.timing.model import Moment

Resource = Mapping[str, Any]
_OVER = ("completed", "stopped")


def last_taken(resource: Resource, surgery: date | None = None, today: date | None = None) -> Moment | None:
    """The last dose by a MedicationStatement or a MedicationAdministration; an order and a dispense say nothing of it.

    The end of a statement's period (FHIR R4, MedicationStatement.effective[x]) is a last dose only where it may be
    over. It is when taking is planned to end where it lies after today, on the day of surgery or later (a plan is made
    before), or, in a statement that goes on, after the day on which it was asserted.
    """
    if resource.get("resourceType") == "MedicationAdministration":
        return given_at(resource)
    if resource.get("resourceType") != "MedicationStatement":
        return None
    over = resource.get("status") in _OVER
    end = moment_of(str((resource.get("effectivePeriod") or {}).get("end") or ""))
    if end is None:
        return moment_of(str(resource.get("effectiveDateTime") or "")) if over else None
    asserted = None if over else moment_of(str(resource.get("dateAsserted") or ""))
    planned = (
        (surgery is not None and end.day >= surgery)
        or (today is not None and end.day > today)
        or (asserted is not None and end.day > asserted.day)
    )
    return None if planned else end


def given_at(resource: Resource) -> Moment | None:
    """When a dose was given (MedicationAdministration.effective[x]); of a period its end."""
    period = resource.get("effectivePeriod") or {}
    return moment_of(str(resource.get("effectiveDateTime") or period.get("end") or period.get("start") or ""))


def moment_of(text: str) -> Moment | None:
    """A FHIR date or dateTime as a local moment, as it is written; None where it is no full day."""
    try:
        day = date.fromisoformat(text[:10])
        return Moment(day, time.fromisoformat(text[11:16]) if len(text) >= 16 else None)
    except ValueError:
        return None
