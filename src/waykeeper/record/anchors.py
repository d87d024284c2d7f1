"""Proof in the record that an anchor happened: a Procedure, or the end of an inpatient Encounter."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from waykeeper.pathway.model import AnchorRule
from waykeeper.record.model import Record
from waykeeper.record.side_words import sides_of_name
from waykeeper.timing.model import Moment

INPATIENT = {"IMP", "ACUTE", "NONAC", "OBSENC", "SS"}
# ICD-10-PCS, lower joints (0S): the fourth character is the joint and its side (US Government work).
_PCS = re.compile(r"0S[0-9A-Z]([9BCDFG])[0-9A-Z]{3}")
_PCS_SIDES = {"9": "right", "B": "left", "C": "right", "D": "left", "F": "right", "G": "left"}  # hip, knee, ankle

_SIDE_WORD = re.compile(r"\b(left|right)\b", re.IGNORECASE)


def recorded(
    record: Record, rule: AnchorRule, zone: str, surgery: Moment | None, side: str = ""
) -> tuple[Moment, str] | None:
    """The moment and the resource that prove the anchor, or None.

    A Procedure counts only on the planned day itself: one of another day may be the other side, years ago. One whose
    code or words name the other side proves nothing of this operation (`of_other_side`).
    An inpatient stay counts only where it holds the day of surgery; of several, as of a ward within a hospital, the one
    that ends last: before that the patient was not at home.
    """
    proofs: list[tuple[Moment, str]] = []
    for resource in record.resources:
        found = None
        if rule.recognise.get("procedure") and resource.get("resourceType") == "Procedure":
            if _contradicts(resource, side):
                continue
            found = _procedure(resource, rule.recognise["procedure"], zone, surgery)
        if rule.recognise.get("encounter_end") and resource.get("resourceType") == "Encounter":
            found = _stay(resource, zone, surgery)
        if found:
            proofs.append((found, f"{resource['resourceType']}/{resource.get('id', '')}"))
    return max(proofs, key=lambda proof: proof[0].day, default=None)  # the first of several on one day


def of_other_side(record: Record, rule: AnchorRule, zone: str, surgery: Moment | None, side: str) -> str:
    """The Procedure that would prove the anchor, but that names the other side than the plan; "" for none.

    None too where another Procedure proves it: then both sides were operated on.
    """
    found = recorded(record, rule, zone, surgery) if rule.recognise.get("procedure") else None
    if not found or not found[1].startswith("Procedure/") or recorded(record, rule, zone, surgery, side):
        return ""
    return found[1]


def _contradicts(resource: Mapping[str, Any], side: str) -> bool:
    """True if the codes or the words of a Procedure name a side, and it is not this one."""
    code, sites = resource.get("code") or {}, resource.get("bodySite") or []
    codings = [c for concept in (code, *sites) for c in concept.get("coding") or []]
    coded = coded_sides(str(c.get("code") or "") for c in code.get("coding") or [])
    words = [str(c.get("display") or "") for c in codings] + [str(c.get("text") or "") for c in (code, *sites)]
    whole = {w.lower() for text in words for w in _SIDE_WORD.findall(text)}  # also beside `both screws`
    said = {named for text in words for named in sides_of_name(text)}
    return bool(side) and any(named and side not in named for named in (coded, whole, said))


def coded_sides(codes: Iterable[str]) -> frozenset[str]:
    """The sides that codes of operations name by themselves; no side for codes that do not say one."""
    return frozenset(_PCS_SIDES[found.group(1)] for code in codes if (found := _PCS.fullmatch(code)))


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
    if parsed.tzinfo is None:
        return Moment(parsed.date())
    local = parsed.astimezone(ZoneInfo(zone))
    return Moment(local.date(), local.time().replace(tzinfo=None, fold=0), zone, local.fold)
