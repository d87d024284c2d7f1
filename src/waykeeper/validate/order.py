"""The order of FHIR dates, dateTimes and instants as FHIRPath defines it: unknown where precisions differ."""

from __future__ import annotations

from datetime import datetime
from typing import Any


def at_most(one: Any, two: Any) -> bool:
    """Whether `one <= two`; False too where it cannot be told, because an empty result breaks an invariant."""
    if not isinstance(one, str) or not isinstance(two, str):
        return True  # misshapen values are reported as such
    if len(one) > 10 and len(two) > 10:
        return _instants(one, two)
    shared = min(len(one[:10]), len(two[:10]))
    if one[:shared] != two[:shared]:
        return one[:shared] < two[:shared]
    return len(one) == len(two)


def _instants(one: str, two: str) -> bool:
    try:
        return datetime.fromisoformat(one) <= datetime.fromisoformat(two)
    except (ValueError, TypeError):
        return True  # reported by the primitive check
