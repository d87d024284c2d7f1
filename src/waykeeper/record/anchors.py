"""Proof in the record that an anchor happened: a Procedure, or the end of an inpatient Encounter."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from waykeeper.pathway.model import AnchorRule
from waykeeper.record.model import Record
from waykeeper.timing.model import Moment

INPATIENT = {"IMP", "ACUTE", "NONAC", "OBSENC", "SS"}


def recorded(record: Record, rule: AnchorRule, zone: str, surgery: Moment | None) -> tuple[Moment, str] | None:
    """The moment and the resource that prove the anchor, or None.

    A Procedure counts only on the planned day itself: one of another day may be the other side, years ago.
    An inpatient stay counts only where it holds the day of surgery.
    """
    for resource in record.resources:
        found = None
        if rule.recognise.get("procedure") and resource.get("resourceType") == "Procedure":
            found = _procedure(resource, rule.recognise["procedure"], zone, surgery)
        if rule.recognise.get("encounter_end") and resource.get("resourceType") == "Encounter":
            found = _stay(resource, zone, surgery)
        if found:
            return found, f"{resource['resourceType']}/{resource.get('id', '')}"
    return None


def _procedure(resource: Mapping[str, Any], codes: tuple[str, ...], zone: str, surgery: Moment | None) -> Moment | None:
    if resource.get("status") != "completed" or surgery is None:
        return None
    carried = set()
    for coding in (resource.get("code") or {}).get("coding") or []:
        carried |= {str(coding.get("code")), f"{coding.get('system')}|{coding.get('code')}"}
    when = resource.get("performedDateTime") or (resource.get("performedPeriod") or {}).get("start")
    moment = local_moment(str(when or ""), zone)
    return moment if carried & set(codes) and moment and moment.day == surgery.day else None


def _stay(resource: Mapping[str, Any], zone: str, surgery: Moment | None) -> Moment | None:
    kind = str((resource.get("class") or {}).get("code") or "")
    period = resource.get("period") or {}
    start, end = (local_moment(str(period.get(k) or ""), zone) for k in ("start", "end"))
    if resource.get("status") != "finished" or kind not in INPATIENT or not (start and end and surgery):
        return None
    return end if start.day <= surgery.day <= end.day else None


def local_moment(text: str, zone: str) -> Moment | None:
    """A FHIR date or dateTime as a local moment in the zone; None where it is no full day."""
    try:
        parsed = datetime.fromisoformat(text)
    except ValueError:
        return None
    if len(text) == 10 or parsed.tzinfo is None:
        return Moment(parsed.date())
    local = parsed.astimezone(ZoneInfo(zone))
    return Moment(local.date(), local.time().replace(tzinfo=None, fold=0), zone, local.fold)
