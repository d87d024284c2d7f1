"""Which plan, item, part and round a resource of ours belongs to; proven by computing its identity again."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from waykeeper.fhir.extensions import find, firsts
from waykeeper.fhir.names import IDENTIFIER_PATH, ITEM, PLAN, TAG_CODE, TAG_SYSTEM
from waykeeper.plan.model import MEDICINES, Episode, Identifier, Key
from waykeeper.quickly_made import quickly_made

_NAMED_BY = ("key", "part", "round")
_NAMES_A_PLAN = ("clinicUrl", "episode")
_COMPUTED = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}$")  # a UUIDv5


@quickly_made
@dataclass(frozen=True, slots=True)
class Identity:
    """Key, part and round of a resource, with the identifier that it carries."""

    key: Key
    part: str
    round: int
    uuid: str


def is_ours(resource: Mapping[str, Any]) -> bool:
    """True for a resource that Waykeeper made: it carries our tag or our item extension."""
    tags = (resource.get("meta") or {}).get("tag") or []
    tagged = any(t.get("system") == TAG_SYSTEM and t.get("code") == TAG_CODE for t in tags)
    return tagged or find(resource, ITEM) is not None


@lru_cache(maxsize=16384)  # the items of a pathway: the same for every patient
def parse_key(text: str) -> Key:
    """`kind/item` or `kind/item/occurrence`. The item name of a medicine may hold slashes and bars."""
    kind, _, rest = text.partition("/")
    if kind in MEDICINES:
        return Key(kind, rest)
    item, _, occurrence = rest.partition("/")
    return Key(kind, item, occurrence)


def identity(resource: Mapping[str, Any]) -> Identity | None:
    """What the resource says of itself, or None where it is not ours or was stripped."""
    extension = find(resource, ITEM)
    if extension is None:
        return None
    said = firsts(extension, _NAMED_BY)
    uuid = own_identifier(resource) or str(resource.get("id") or "")  # an id of ours proves it too: see `belongs`
    if "key" not in said or "part" not in said or not uuid:
        return None
    return Identity(parse_key(str(said["key"])), str(said["part"]), int(said.get("round", 1)), uuid)


def own_identifier(resource: Mapping[str, Any]) -> str:
    """The value of our identifier, "" where there is none."""
    for entry in resource.get("identifier") or ():
        if isinstance(entry, dict) and str(entry.get("system") or "").endswith(IDENTIFIER_PATH):
            return str(entry.get("value") or "")
    return ""


def is_computed(name: str) -> bool:
    """Whether an identifier, a reference or a urn ends as those end that Waykeeper computes."""
    return _COMPUTED.search(name) is not None


def named_by(resource: Mapping[str, Any]) -> frozenset[str]:
    """What may be our name of a resource: the identifier that we gave it, and its id where we chose that."""
    return frozenset({own_identifier(resource), str(resource.get("id") or "")} - {""})


def called(resource: Mapping[str, Any]) -> str:
    """What people call a resource of ours that lost our extensions: the text of its own elements, else its type."""
    told = (resource.get(n) for n in ("medicationCodeableConcept", "code", "description", "title"))
    texts = (t.get("text") if isinstance(t, Mapping) else t for t in told)
    return str(next((text for text in texts if text), "") or resource["resourceType"])


def episode_of(root: Mapping[str, Any]) -> Episode | None:
    """The episode of a root CarePlan, or None where it is not one of ours."""
    extension = find(root, PLAN) if root.get("resourceType") == "CarePlan" else None
    if extension is None:
        return None
    said = firsts(extension, _NAMES_A_PLAN)
    patient = (root.get("subject") or {}).get("identifier") or {}
    if not patient.get("value") or not said.get("clinicUrl"):
        return None
    identifier = Identifier(str(patient.get("system") or ""), str(patient["value"]))
    urls = [str(one).partition("|")[0] for one in root.get("instantiatesCanonical") or ()] or [""]
    found = [Episode(str(said["clinicUrl"]), url, identifier, int(said.get("episode", 1))) for url in urls]
    if len(found) == 1:
        return found[0]
    names = named_by(root)  # protocols of others may be followed too, and stand before ours
    return next((one for one in found if one.uuid("plan", "plan", "plan") in names), found[0])


def belongs(known: Identity, episode: Episode) -> bool:
    """True if computing the identity under this episode gives the identifier that the resource carries."""
    key = known.key
    return episode.uuid(key.kind, key.item, known.part, key.occurrence, known.round) == known.uuid
