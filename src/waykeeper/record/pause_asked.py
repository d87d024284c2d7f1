"""Tasks of others that ask for an order to be paused or stopped: a hold that the order itself does not say.

Beside an order on hold and an order not to give, FHIR knows a hold as a Task whose focus is the order: code `suspend`
(FHIR R4, CodeSystem task-code), or `hold-activity` and `stop-activity` of the Clinical Practice Guidelines guide.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from waykeeper.record.handed_over import LONG_AGO
from waykeeper.record.local_times import day_of
from waykeeper.record.model import MedicineEntry
from waykeeper.record.references import identifier_names, names_of, relative

Resource = Mapping[str, Any]
_GUIDELINES = "http://hl7.org/fhir/uv/cpg/CodeSystem/cpg-activity-type-cs"
_PAUSES = frozenset({
    ("http://hl7.org/fhir/CodeSystem/task-code", "suspend"),
    (_GUIDELINES, "hold-activity"), (_GUIDELINES, "stop-activity"),
})  # fmt: skip
_NOT_ASKED = frozenset({"draft", "cancelled", "rejected", "failed", "entered-in-error"})


def with_pauses(
    entries: Sequence[MedicineEntry], resources: Iterable[Resource], surgery: date | None
) -> tuple[MedicineEntry, ...]:
    """The entries, each told whether a Task asks for its pause. One that was done more than a year before surgery was
    about something else.
    """
    named = {name for task in resources if _asks(task, surgery) for name in names_of([task.get("focus") or {}])}
    if not named:
        return tuple(entries)
    return tuple(replace(e, pause_asked=not named.isdisjoint(_names(e))) for e in entries)


def _names(entry: MedicineEntry) -> tuple[str, ...]:
    return (relative(entry.reference), *identifier_names(entry.resource))


def _asks(task: Resource, surgery: date | None) -> bool:
    if task.get("resourceType") != "Task" or task.get("status") in _NOT_ASKED:
        return False
    codings = (task.get("code") or {}).get("coding") or ()
    if not any((c.get("system"), c.get("code")) in _PAUSES for c in codings):
        return False
    done = day_of((task.get("executionPeriod") or {}).get("end") or task.get("lastModified"))
    if task.get("status") != "completed" or done is None or surgery is None:
        return True
    return surgery - done <= LONG_AGO
