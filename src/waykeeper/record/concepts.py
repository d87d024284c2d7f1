"""A CodeableConcept as people read it: its text, else a display, else what is known of its code."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import yaml


@cache
def routes() -> Mapping[str, str]:
    """Displays of routes by their SNOMED CT code, from routes.yaml."""
    known: Mapping[str, str] = yaml.safe_load((files("waykeeper.record") / "routes.yaml").read_text("utf-8"))
    return known


def text_of(concept: Any, what: str = "code") -> str:
    """The words of a concept, "" where it has none. A number that nobody knows is called one: `what` says of what."""
    if not isinstance(concept, Mapping):
        return ""
    codings = [c for c in concept.get("coding") or [] if isinstance(c, Mapping)]
    said = concept.get("text") or next((c["display"] for c in codings if c.get("display")), "")
    code = next((str(c["code"]) for c in codings if c.get("code")), "")
    if said or not code.isdigit():
        return str(said or code)
    known = next((routes()[str(c["code"])] for c in codings if str(c.get("code")) in routes()), "")
    return known or f"{what} {code} (not known here)"


def said_of(concept: Mapping[str, Any]) -> list[str]:
    """All that a concept says, for a reason: `system|code` of each coding, then displays and text in small letters."""
    codings = concept.get("coding") or ()
    said = [f"{c.get('system', '')}|{c.get('code', '')}" for c in codings]
    said += [str(c["display"]).lower() for c in codings if c.get("display")]
    return said + ([str(concept["text"]).lower()] if concept.get("text") else [])
