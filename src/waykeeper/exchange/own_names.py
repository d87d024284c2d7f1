"""References that a server made absolute, read as it would have written them relative to itself."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

ABSOLUTE = re.compile(rb'"reference"\s*:\s*"https?:')  # found in the text, which is many times quicker than a walk


def named(document: Any) -> frozenset[str]:
    """What the server calls itself: the address before `Type/id` in the fullUrl of the matches of a search.

    It may be another than the one by which it is reached. Nothing where the matches lie on several servers.
    """
    found = [frozenset(_bases(searchset)) for searchset in _searchsets(document)]
    return frozenset().union(*(bases for bases in found if len(bases) == 1))


def _searchsets(document: Any) -> Iterator[dict[str, Any]]:
    """The document itself, or those in the answer to a batch."""
    if not isinstance(document, dict) or document.get("resourceType") != "Bundle":
        return
    if document.get("type") == "searchset":
        yield document
    for entry in document.get("entry") or ():
        yield from _searchsets(entry.get("resource"))


def _bases(searchset: dict[str, Any]) -> Iterator[str]:
    for entry in searchset.get("entry") or ():
        resource, mode = entry.get("resource") or {}, (entry.get("search") or {}).get("mode", "match")
        full, own = str(entry.get("fullUrl") or ""), f"/{resource.get('resourceType')}/{resource.get('id')}"
        if mode == "match" and full.startswith("http") and full.endswith(own):
            yield full.removesuffix(own)


def relative_to(names: frozenset[str], part: Any) -> Any:
    """The part of a document with its references to this very server relative; those to others stand as they are."""
    if isinstance(part, list):
        return [relative_to(names, one) for one in part]
    if not isinstance(part, dict):
        return part
    return {key: _short(names, one) if key == "reference" else relative_to(names, one) for key, one in part.items()}


def _short(names: frozenset[str], reference: Any) -> Any:
    if not isinstance(reference, str):  # Consent.provision.data.reference is an element with parts
        return relative_to(names, reference)
    return next((reference.removeprefix(f"{n}/") for n in names if reference.startswith(f"{n}/")), reference)
