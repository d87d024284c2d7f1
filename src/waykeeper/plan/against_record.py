"""What the record says against the operation that a plan is made for: the other side, an age that hardly fits."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from waykeeper.findings import Finding, finding
from waykeeper.medicines.kidney import age_on
from waykeeper.record import Record, sides_of_name

ADULT, VERY_OLD = 18, 110  # years; the sources of the library speak of adults (common practice, no source)
_WORD = re.compile(r"[^\W\d_]{3,}")
_OPERATION = frozenset(
    {"total", "partial", "primary", "revision", "replacement", "arthroplasty", "surgery", "operation", "repair", "the"}
)
_NOT_SO = {
    "verificationStatus": {"refuted", "entered-in-error"},
    "clinicalStatus": {"inactive", "remission", "resolved"},
}


def record_notes(record: Record, title: str, side: str, surgery: date | None) -> Iterator[Finding]:
    """WKL113 every diagnosis of what is operated on names the other side, WKL114 the age on the day of surgery.

    title   of the pathway: its words tell which diagnoses are meant, `ankle` of "Total ankle replacement"
    """
    meant = {word.lower() for word in _WORD.findall(title)} - _OPERATION
    named = {
        at for said in _diagnoses(record) if any(meant & {w.lower() for w in _WORD.findall(words)} for words in said)
        for words in said for at in sides_of_name(words)
    }  # fmt: skip
    if side and named and side not in named:
        other = "left" if side == "right" else "right"
        yield finding(
            "WKL113", f"the plan is for the {side} side, and the diagnoses of the record name the {other} one"
        )
    birth = record.kidney.birth_date
    if birth is None or surgery is None:
        return
    if birth >= surgery:
        yield finding("WKL114", "the patient is born on the day of surgery or after it")
    elif (age := age_on(birth, surgery)) < ADULT or age > VERY_OLD:
        yield finding("WKL114", f"the patient is {age} years old on the day of surgery")


def _diagnoses(record: Record) -> Iterator[list[str]]:
    """The texts of each diagnosis that stands, with the place that it is at."""
    for resource in record.resources:
        if resource.get("resourceType") == "Condition" and not any(
            codes & {str(c.get("code")) for c in (resource.get(name) or {}).get("coding") or ()}
            for name, codes in _NOT_SO.items()
        ):
            yield list(_said(resource))


def _said(resource: Mapping[str, Any]) -> Iterator[str]:
    for concept in (resource.get("code") or {}, *(resource.get("bodySite") or ())):
        yield str(concept.get("text") or "")
        yield from (str(coding.get("display") or "") for coding in concept.get("coding") or ())
