"""The day of the newest entry of a record: a surgery long before it is hardly the one that is planned."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import date
from typing import Any

from waykeeper.record.model import Record

# FHIR R4 elements that say when something was ordered, found, done or written down.
_SAID = ("authoredOn", "dateAsserted", "effectiveDateTime", "issued", "occurrenceDateTime", "performedDateTime",
         "recordedDate")  # fmt: skip
_PERIODS = ("effectivePeriod", "performedPeriod", "period")


def newest_entry(record: Record) -> tuple[date, str] | None:
    """The newest day on which something was written, and the type of the resource; None where no entry has a day."""
    return max(((day, r["resourceType"]) for r in record.resources for day in _days(r)), default=None)


def _days(resource: Mapping[str, Any]) -> Iterator[date]:
    told = [resource.get(name) for name in _SAID]
    told += [p.get("start") for name in _PERIODS if isinstance(p := resource.get(name), Mapping)]
    for text in told:
        if isinstance(text, str) and len(text) >= len("2026-03-18"):  # a year or a month alone is no day
            with suppress(ValueError):
                yield date.fromisoformat(text[:10])
