"""Doses that were really given: MedicationAdministration, laid to the order or statement that it belongs to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, time
from typing import Any

from waykeeper.record.model import MedicineEntry
from waykeeper.record.references import relative
from waykeeper.record.taken import given_at
from waykeeper.timing.model import Moment

Resource = Mapping[str, Any]
GIVEN = frozenset({"completed", "in-progress"})


def with_last_given(entries: Iterable[MedicineEntry], resources: Iterable[Resource]) -> tuple[MedicineEntry, ...]:
    """Each entry with the latest dose that was given for its order, where that is later than what it says itself.

    A dose that names no order counts for none: it would turn a question about the last dose into a day.
    """
    given = _latest_by_order(resources)
    return tuple(_later(entry, given.get(entry.reference) if entry.reference else None) for entry in entries)


def _latest_by_order(resources: Iterable[Resource]) -> dict[str, Moment]:
    latest: dict[str, Moment] = {}
    for resource in resources:
        if resource.get("resourceType") != "MedicationAdministration" or resource.get("status") not in GIVEN:
            continue
        order = relative(str((resource.get("request") or {}).get("reference") or ""))
        moment = given_at(resource)
        if order and moment is not None:
            latest[order] = max(latest.get(order, moment), moment, key=place_of)
    return latest


def _later(entry: MedicineEntry, given: Moment | None) -> MedicineEntry:
    if given is None or (entry.last_taken is not None and place_of(entry.last_taken) >= place_of(given)):
        return entry
    return replace(entry, last_taken=given)


def place_of(moment: Moment) -> tuple[date, time]:
    """A day without time counts as its end: the later reading is the safe one for a dose."""
    return moment.day, moment.clock or time.max
