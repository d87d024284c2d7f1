"""Whose is which field: the groups of a resource that Waykeeper offers, and their digests. Data, not code."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from decimal import Decimal
from functools import lru_cache
from typing import Any

import orjson

from waykeeper.fhir.extensions import encode, find
from waykeeper.fhir.names import HOLD, ITEM, OFFERED, PLAN

SCHEME = 1
GROUPS = ("when", "what", "who", "status")
WRITTEN_BY = "waykeeper"  # a part that holds the version of Waykeeper

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
        "who": (),
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
# Paths that a later scheme than the first added to a group: a digest of an older scheme is compared without them.
SINCE: Mapping[str, int] = {}
# Parts of the hold extension in no group: only Waykeeper writes them, so that they are no conflict with what a person
# wrote beside them, and a push writes them as soon as they differ.
PROPOSALS = ("proposed", "answeredTo")


def _part_of(path: str) -> tuple[str, str] | None:
    """(url, name) of a part of ours, None for an element."""
    url, _, name = path.removeprefix("ext:").partition("#")
    return (url, name) if path.startswith("ext:") else None


# The table turned round, so that one walk over a resource finds every group: elements by group, and parts of our
# extensions by url and name.
_ELEMENTS: Mapping[str, tuple[tuple[str, str], ...]] = {
    kind: tuple((group, path) for group, paths in groups.items() for path in paths if _part_of(path) is None)
    for kind, groups in OWNERSHIP.items()
}
_PARTS: Mapping[str, Mapping[str, Mapping[str, tuple[str, str]]]] = {
    kind: {
        url: {
            part[1]: (group, path)
            for group, paths in groups.items()
            for path in paths
            if (part := _part_of(path)) and part[0] == url
        }
        for url in (ITEM, HOLD, PLAN)
    }
    for kind, groups in OWNERSHIP.items()
}


def group_values(resource: Mapping[str, Any], group: str) -> dict[str, Any]:
    """The normalised values of one group by path; absent paths are absent."""
    return _normalised(_as_written(resource)[group])


def _as_written(resource: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The values of each group by path as the resource has them; a part of ours keeps its name."""
    kind = resource["resourceType"]
    found: dict[str, dict[str, Any]] = {group: {} for group in GROUPS}
    for group, name in _ELEMENTS[kind]:
        value = _at(resource, name)
        if value not in (None, [], {}, ""):
            found[group][name] = value
    ours = _PARTS[kind]
    for extension in resource.get("extension") or ():
        places = ours.get(extension.get("url"))
        for part in (extension.get("extension") or ()) if places else ():
            place = places.get(part.get("url")) if places else None
            if place:
                found[place[0]].setdefault(place[1], []).append(part)
    return found


def _normalised(values: Mapping[str, Any]) -> dict[str, Any]:
    return {path: [_nameless(p) for p in v] if path.startswith("ext:") else normal(v) for path, v in values.items()}


def _nameless(part: Mapping[str, Any]) -> dict[str, Any]:
    return {k: normal(v) for k, v in part.items() if k != "url"}


def proposals(resource: Mapping[str, Any]) -> list[Any]:
    """What is told of proposals, normal. Who wrote it is no value: the next version changes nothing by that alone."""
    told = [p for p in (find(resource, HOLD) or {}).get("extension") or () if p.get("url") in PROPOSALS]
    return [[part["url"], *(normal(p) for p in part["extension"] if p.get("url") != WRITTEN_BY)] for part in told]


def _at(resource: Mapping[str, Any], path: str) -> Any:
    if path in resource:
        sibling = f"_{path}"
        return [resource[path], resource[sibling]] if sibling in resource else resource[path]
    head, dot, rest = path.partition(".")
    if not dot:
        return resource.get(f"_{path}")
    found = [entry[rest] for entry in resource.get(head) or () if isinstance(entry, dict) and rest in entry]
    return found or None


def normal(value: Any) -> Any:
    """By value, not bytes: numbers without trailing zeros, text in NFC with plain spaces, references as Type/id."""
    kind = type(value)
    if kind is str:
        return value if value.isascii() and _PLAIN(value) else _text(value)
    if kind is dict:
        return {k: _reference(v) if k == "reference" else normal(v) for k, v in value.items() if k != "id"}
    if kind is list or kind is tuple:
        return [normal(v) for v in value]
    if kind is bool or value is None:
        return value
    return str(Decimal(str(value)).normalize())


_PLAIN = re.compile(r"\S+(?: \S+)*").fullmatch


def _text(value: str) -> str:
    return " ".join(unicodedata.normalize("NFC", value.replace("\u00a0", " ")).split())


def _reference(text: Any) -> str:
    parts = str(text).split("/_history/")[0].split("/")
    return "/".join(parts[-2:])


def digest(resource: Mapping[str, Any], group: str) -> str:
    """Sixteen hex digits of the group's normalised values."""
    return _digest(group, _as_written(resource)[group])


def digests(resource: Mapping[str, Any]) -> dict[str, str]:
    """The digest of each group."""
    return {group: _digest(group, values) for group, values in _as_written(resource).items()}


# Only what is plain JSON is remembered: all else goes the long way and fails there, as it always did.
_JSON_ONLY = orjson.OPT_PASSTHROUGH_DATACLASS | orjson.OPT_PASSTHROUGH_DATETIME | orjson.OPT_PASSTHROUGH_SUBCLASS
REMEMBERED = 4096  # digests of texts, roles and states: the same for every patient of a pathway


def _digest(group: str, values: Mapping[str, Any]) -> str:
    if group == "when":  # dates differ from patient to patient
        return _sum(_normalised(values))
    try:
        return _remembered(orjson.dumps(values, option=_JSON_ONLY))
    except TypeError:
        return _sum(_normalised(values))


@lru_cache(maxsize=REMEMBERED)
def _remembered(written: bytes) -> str:
    return _sum(_normalised(orjson.loads(written)))


def _sum(values: Mapping[str, Any]) -> str:
    return _short(orjson.dumps(values, option=orjson.OPT_SORT_KEYS))


def _short(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()[:16]


def mark(*parts: str) -> str:
    """Sixteen hex digits that name a difference."""
    return _short("\x1f".join(parts).encode())


def offered_of(resource: Mapping[str, Any]) -> dict[str, list[Any]]:
    """What the resource says that we last offered: scheme, a digest by group, `before`, `ever`, `settled`."""
    found: dict[str, list[Any]] = {}
    for part in (find(resource, OFFERED) or {}).get("extension") or []:
        text = part.get("valueString")  # as nearly all are
        value = next((v for k, v in part.items() if k.startswith("value")), None) if text is None else text
        found.setdefault(part["url"], []).append(value)
    return found


def as_offered(resource: Mapping[str, Any], group: str) -> bool:
    """True if the group stands as we last offered it; False where somebody changed it or our digest is gone."""
    return offered_of(resource).get(group) == [digest(resource, group)]


_SCHEME = encode("", [("scheme", SCHEME)])["extension"]


def offered(told: Mapping[str, Any]) -> dict[str, Any]:
    """As `with_offered` writes it, for a resource of which the digest of each group is known."""
    return {"url": OFFERED, "extension": [*_SCHEME, *({"url": g, "valueString": told[g]} for g in GROUPS)]}


_ITEM_PART = f"ext:{ITEM}#"


def part_told(name: str, value: str) -> str:
    """A part of the item extension with a name of its own, for `digest_told`; `value` is what the part holds."""
    return f'"{_ITEM_PART}{name}":[{{{value}}}]'


def digest_told(members: Iterable[str]) -> str:
    """The digest of a group from the JSON of each of its paths: `"path":value`, normal, what is inside in order."""
    return _short(f"{{{','.join(sorted(members))}}}".encode())


_digests = digests  # the argument below has the same name


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
    told = _digests(resource) if digests is None else digests
    pairs: list[tuple[str, Any]] = [("scheme", SCHEME)]
    pairs += [(group, told.get(group, "")) for group in GROUPS]
    pairs += [("before", before), ("ever", ever), ("settled", settled), ("surgery", surgery), ("merged", merged)]
    kept = [e for e in resource.get("extension") or [] if e.get("url") != OFFERED]
    return {**resource, "extension": [*kept, encode(OFFERED, pairs)]}
