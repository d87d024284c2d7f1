"""Days as a record writes them, and its instants in the clinic's own time: 03:30 in UTC is yesterday in Chicago."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

# A FHIR dateTime or instant with a time and an offset (R4, datatypes 2.24.0.1); a date alone is its own day.
_INSTANT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:\d{2})")


def in_zone(resource: Mapping[str, Any], zone: str) -> Mapping[str, Any]:
    """The same resource with each instant at the offset of the zone; the very same one where all are.

    What reads a day or an hour out of it then reads the clinic's. `meta` and narratives stay as they are.
    """
    changed = _local(resource, ZoneInfo(zone))
    return resource if changed is resource else {**changed, **{k: resource[k] for k in ("meta",) if k in resource}}


def day_of(text: Any) -> date | None:
    """The day of a FHIR date or dateTime as it is written; None where it is no full day, or nothing stands there."""
    try:
        return date.fromisoformat(str(text or "")[:10])
    except ValueError:
        return None


def _local(value: Any, zone: ZoneInfo) -> Any:
    if isinstance(value, str):
        return _moved(value, zone) if len(value) > 16 and value[10] == "T" and _INSTANT.fullmatch(value) else value
    if isinstance(value, Mapping):
        inner = {key: _local(one, zone) for key, one in value.items()}
        return inner if any(inner[key] is not one for key, one in value.items()) else value
    if isinstance(value, list):
        items = [_local(one, zone) for one in value]
        return items if any(new is not one for new, one in zip(items, value, strict=True)) else value
    return value


def _moved(text: str, zone: ZoneInfo) -> str:
    try:
        said = datetime.fromisoformat(text)
    except ValueError:  # a day that does not exist
        return text
    there = said.astimezone(zone)
    return text if there.utcoffset() == said.utcoffset() else there.isoformat()
