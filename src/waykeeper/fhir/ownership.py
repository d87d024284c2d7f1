"""Whose is which field: the groups of a resource that Waykeeper offers, and their digests. Data, not code."""

from __future__ import annotations

import hashlib
import json
import unicodedata
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from waykeeper.fhir.extensions import encode, find
from waykeeper.fhir.names import HOLD, ITEM, OFFERED, PLAN

SCHEME = 1
GROUPS = ("when", "what", "who", "status")

# Element paths by type and group. `ext:URL#name` is a sub-extension of ours. What stands nowhere is create-only
# (subject, intent, identifier, focus, basedOn, partOf), rewritten with any write of ours (text, our extensions),
# ours by entry (activity, goal, supportingInfo of CarePlan), or theirs.
_ITEM_DATES = ("target", "at", "bookFrom", "lateFrom", "dueFrom", "validFrom", "earliest", "awaited")
_ITEM_TEXTS = (
    "title", "phrase", "windowPhrase", "why", "harm", "source", "grade", "overlay", "validFor", "redo", "needs",
    "before", "releasedBy", "until", "measure", "minutes", "word", "specialty", "telehealth", "fact", "asksFor",
    "undecided", "words",
)  # fmt: skip
_HOLD_DATES = ("missedDays", "lastDose", "firstMissed", "lastLimit", "restartFrom")
_HOLD_TEXTS = (
    "decision", "rule", "policy", "restart", "confidence", "confirmBy", "question", "recognised", "ingredient",
    "note", "alternative", "code", "medicine", "answer", "answerDays", "answerBy", "answerOn", "answerText",
    "answerTaken",
)  # fmt: skip
_WHEN_OF_ITEM = tuple(f"ext:{ITEM}#{n}" for n in _ITEM_DATES)
_WHAT_OF_ITEM = tuple(f"ext:{ITEM}#{n}" for n in _ITEM_TEXTS)
_WHEN_OF_HOLD = tuple(f"ext:{HOLD}#{n}" for n in _HOLD_DATES)
_WHAT_OF_HOLD = tuple(f"ext:{HOLD}#{n}" for n in _HOLD_TEXTS)

_OWN: dict[str, dict[str, tuple[str, ...]]] = {
    "CarePlan": {
        "when": ("period", f"ext:{PLAN}#anchor"),
        "what": ("title", "description", "category", "instantiatesCanonical", f"ext:{PLAN}#letterhead"),
        "who": (),
        "status": ("status",),
    },
    "ServiceRequest": {
        "when": ("occurrencePeriod", "occurrenceDateTime"),
        "what": ("code", "category", "reasonCode", "patientInstruction", "doNotPerform"),
        "who": ("performerType", "performer"),
        "status": ("status",),
    },
    "Appointment": {
        "when": ("requestedPeriod",),
        "what": ("serviceType", "specialty", "reasonCode", "description", "minutesDuration", "patientInstruction"),
        "who": (),
        "status": ("status", "cancelationReason"),
    },
    "Task": {
        "when": ("restriction", *_WHEN_OF_HOLD),
        "what": ("code", "description", "reasonCode", *_WHAT_OF_HOLD),
        "who": ("performerType", "owner"),
        "status": ("status", "statusReason"),
    },
    "MedicationRequest": {
        "when": _WHEN_OF_HOLD,
        "what": ("medicationCodeableConcept", "dosageInstruction", "reasonCode", *_WHAT_OF_HOLD),
        "who": ("performer",),
        "status": ("status", "statusReason"),
    },
    "CommunicationRequest": {
        "when": ("occurrencePeriod", "occurrenceDateTime"),
        "what": ("payload", "category", "reasonCode"),
        "who": ("recipient",),
        "status": ("status", "statusReason"),
    },
    "Goal": {
        "when": ("target.dueDate",),
        "what": ("description", "target.measure", "target.detailString"),
        "who": (),
        "status": ("lifecycleStatus", "statusReason"),
    },
    "Flag": {"when": ("period",), "what": ("code", "category"), "who": (), "status": ("status",)},
    "DetectedIssue": {
        "when": ("identifiedDateTime",),
        "what": ("code", "severity", "detail"),
        "who": (),
        "status": ("status",),
    },
}
OWNERSHIP: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    kind: {
        "when": groups["when"] + _WHEN_OF_ITEM,
        "what": groups["what"] + _WHAT_OF_ITEM,
        "who": groups["who"],
        "status": groups["status"],
    }
    for kind, groups in _OWN.items()
}
CREATE_ONLY = ("subject", "patient", "for", "intent", "identifier", "basedOn", "focus", "partOf", "priorPrescription")
OURS_BY_ENTRY = {"CarePlan": ("activity", "goal", "supportingInfo")}
# Paths that a later scheme than the first added to a group: a digest of an older scheme is compared without them.
SINCE: Mapping[str, int] = {}


def group_values(resource: Mapping[str, Any], group: str, scheme: int = SCHEME) -> dict[str, Any]:
    """The normalised values of one group by path; absent paths, and those of a later scheme, are absent."""
    found = {}
    for path in OWNERSHIP[resource["resourceType"]][group]:
        if SINCE and SINCE.get(path, 1) > scheme:
            continue
        value = _at(resource, path)
        if value not in (None, [], {}, ""):
            found[path] = normal(value)
    return found


def _at(resource: Mapping[str, Any], path: str) -> Any:
    if path.startswith("ext:"):
        url, _, name = path[4:].partition("#")
        parts = (find(resource, url) or {}).get("extension") or []
        return [{k: v for k, v in p.items() if k != "url"} for p in parts if p.get("url") == name]
    head, _, rest = path.partition(".")
    value = resource.get(head)
    if f"_{head}" in resource and not rest:
        return [value, resource[f"_{head}"]]
    if not rest:
        return value
    found = [entry[rest] for entry in value or [] if isinstance(entry, Mapping) and rest in entry]
    return found or None


def normal(value: Any) -> Any:
    """By value, not bytes: numbers without trailing zeros, text in NFC with plain spaces, references as Type/id."""
    if isinstance(value, Mapping):
        return {k: (_reference(v) if k == "reference" else normal(v)) for k, v in sorted(value.items()) if k != "id"}
    if isinstance(value, list | tuple):
        return [normal(v) for v in value]
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, int | float | Decimal):
        return str(Decimal(str(value)).normalize())
    return " ".join(unicodedata.normalize("NFC", str(value).replace("\u00a0", " ")).split())


def _reference(text: Any) -> str:
    """`Type/id`; the patient by type alone, because the server chooses that id and the plan has one patient."""
    parts = str(text).split("/_history/")[0].split("/")
    return "Patient" if parts[-2:-1] == ["Patient"] else "/".join(parts[-2:])


def digest(resource: Mapping[str, Any], group: str, scheme: int = SCHEME) -> str:
    """Sixteen hex digits of the group's normalised values."""
    text = json.dumps(group_values(resource, group, scheme), sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def offered_of(resource: Mapping[str, Any]) -> dict[str, list[Any]]:
    """What the resource says that we last offered: scheme, a digest by group, `before`, `ever`, `settled`."""
    found: dict[str, list[Any]] = {}
    for part in (find(resource, OFFERED) or {}).get("extension") or []:
        value = next((v for k, v in part.items() if k.startswith("value")), None)
        found.setdefault(part["url"], []).append(value)
    return found


def as_offered(resource: Mapping[str, Any], group: str) -> bool:
    """True if the group stands as we last offered it; False where somebody changed it or our digest is gone."""
    return offered_of(resource).get(group) == [digest(resource, group)]


def with_offered(
    resource: dict[str, Any],
    *,
    before: str = "",
    ever: tuple[str, ...] = (),
    settled: tuple[str, ...] = (),
    surgery: str = "",
    merged: str = "",
    digests: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """The resource with its digests as what we offer now.

    digests   by group, where a merge keeps an older offer; computed from the resource where they are not given
    surgery   the surgery day that a hold or gate was offered for
    merged    on the root: digest of the answers that the server held after the last push
    """
    told = {group: digest(resource, group) for group in GROUPS} if digests is None else digests
    pairs: list[tuple[str, Any]] = [("scheme", SCHEME)]
    pairs += [(group, told.get(group, "")) for group in GROUPS]
    pairs += [("before", before), ("ever", ever), ("settled", settled), ("surgery", surgery), ("merged", merged)]
    kept = [e for e in resource.get("extension") or [] if e.get("url") != OFFERED]
    return {**resource, "extension": [*kept, encode(OFFERED, pairs)]}
