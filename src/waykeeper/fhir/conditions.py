"""An identifier in a search and as the condition of a creation, where some of its characters have a meaning."""

from __future__ import annotations

import re
from urllib.parse import quote

# FHIR R4, search, 3.1.1.3 (escaping search parameters): these four mean something in the value of a parameter.
_MEANS = re.compile(r"([\\,|$])")


def token(system: str, value: str) -> str:
    """`system|value` as the value of a search parameter."""
    return f"{_escaped(system)}|{_escaped(value)}"


def condition(system: str, value: str) -> str:
    """`identifier=system|value` as the query of a conditional creation: part of an address, and encoded as one."""
    return f"identifier={quote(token(system, value), safe='/:|')}"


def _escaped(text: str) -> str:
    return _MEANS.sub(r"\\\1", text)
