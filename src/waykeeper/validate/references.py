"""References: the type they lead to, and whether what they name is there."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from waykeeper.validate.primitives import is_absolute
from waykeeper.validate.run import Place, Run
from waykeeper.validate.tables import resource_types

One = Callable[[Any, Place, Run], None]

_SPACE = re.compile(r"[ \t\r\n]").search
# Type/id at the end of a path, or a version of it; what may not stand there is no part of a path's end.
_LITERAL = re.compile(r"(?:[^?#]*/)?([A-Z][A-Za-z]+)/[^/?#]+(?:/_history/[^/?#]+)?/?(?:[?#].*)?", re.DOTALL)

# R4 http.html#trules: a conditional reference is a search, `Type?name=value&name=value`.
_QUERY = re.compile(r"[^=&]+=[^=&]*(?:&[^=&]+=[^=&]*)*").fullmatch


def _has_bad_query(text: str) -> bool:
    name, mark, query = text.partition("?")
    return bool(mark) and name in resource_types() and _QUERY(query) is None


def _is_odd(text: str) -> bool:
    """Whether a relative reference is not Type/id, nor one of its versions: a search, or nothing that can be read."""
    if text.startswith(("#", "http:")) or is_absolute(text) or not text or _SPACE(text):
        return False
    return text.count("/") not in (1, 3)


def is_search(text: str) -> bool:
    """Whether a reference is a search, `Type?name=value`, which a transaction may have."""
    name, mark, query = text.partition("?")
    return bool(mark) and name in resource_types() and _QUERY(query) is not None


def check_reference(targets: tuple[str, ...]) -> One:
    """The check of a Reference that may lead to these types (empty: any)."""
    allowed = frozenset(targets)

    def check(value: Any, here: Place, run: Run) -> None:
        text = value.get("reference")
        said = value.get("type")
        if run.bundle is not None and isinstance(text, str) and (text.startswith("urn:uuid:") or _is_odd(text)):
            run.links.append((here, text))
        found = target_type(text, run) if isinstance(text, str) else None
        if isinstance(text, str) and _SPACE(text) is not None:
            run.add("WKV504", (here, "reference"), f"reference {text!r} has white space in it")
        if isinstance(text, str) and _has_bad_query(text):
            run.add("WKV504", (here, "reference"), f"reference {text!r} is no search: its query must be name=value&...")
        if isinstance(said, str) and said not in resource_types():
            run.add("WKV302", (here, "type"), f"type {said!r} is no R4 resource type")
        if isinstance(said, str) and found and said.rpartition("/")[2] != found:
            run.add("WKV503", (here, "type"), f"type says {said!r}, the reference leads to {found}")
        if allowed and found and found not in allowed:
            run.add("WKV501", here, f"the reference leads to {found}; allowed: {', '.join(targets)}")

    return check


def target_type(text: str, run: Run) -> str | None:
    """The resource type that a reference leads to, or None where it cannot be told."""
    if text.startswith("#"):
        return _contained_type(text[1:], run)
    if text.startswith("urn:"):
        held = run.bundle.get(text) if run.bundle else None
        return _type_of(held)
    match = _LITERAL.fullmatch(text)
    if match is None or match[1] not in resource_types():
        return None
    return match[1]


def _type_of(resource: Any) -> str | None:
    name = resource.get("resourceType") if isinstance(resource, dict) else None
    return name if isinstance(name, str) else None


def _contained_type(name: str, run: Run) -> str | None:
    if not name:
        return _type_of(run.root)
    return next((_type_of(one) for one in run.contained(name)), None)
