"""What the record says of the patient that rules of medicines ask for, beside the reasons written on the orders."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

_STENT_CODES = ("Z95.5",)  # ICD-10-CM: presence of coronary angioplasty implant and graft
_STENT_WORDS = re.compile(r"\bstents?\b")
_NOT_SO = frozenset({"refuted", "entered-in-error"})


def patient_facts(resources: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Facts for `propose`: {"stent": "yes"} where a Condition or Procedure names a coronary stent, however old.

    Nothing found says nothing: no fact is ever "no".
    """
    return {"stent": "yes"} if any(_names_stent(r) for r in resources) else {}


def _names_stent(resource: Mapping[str, Any]) -> bool:
    if resource.get("resourceType") not in ("Condition", "Procedure") or resource.get("status") == "not-done":
        return False
    if _NOT_SO & {str(c.get("code")) for c in (resource.get("verificationStatus") or {}).get("coding") or []}:
        return False
    if resource.get("status") == "entered-in-error":
        return False
    concept = resource.get("code") or {}
    codings = concept.get("coding") or []
    said = " ".join(str(t or "") for t in (concept.get("text"), *(c.get("display") for c in codings))).casefold()
    return bool(_STENT_WORDS.search(said)) or any(str(c.get("code")).startswith(_STENT_CODES) for c in codings)
