"""Resources that have the right shape and still cannot be read: whose they are and what is wrong, by the validator."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from waykeeper.exchange.errors import BadAnswerError
from waykeeper.fhir import UnknownZoneError, evidence_of, is_ours, read_all, zone_of
from waykeeper.fhir.shape import with_whose
from waykeeper.findings import Finding, finding

Held = tuple[str, Mapping[str, Any]]
FAILURES = (ArithmeticError, AttributeError, IndexError, KeyError, TypeError, ValueError)

_VAGUE = re.compile(r"\d{4}(-\d{2})?")
_IS_DATE = re.compile(r"(^start|^end|^on|Date|DateTime|On)$")


def unreadable(held: Sequence[Held]) -> dict[str, Finding]:
    """The resources that are not legal FHIR, each with its first error (WKX219). Slow: asked when reading failed."""
    found: dict[str, Finding] = {}
    for reference, resource in held:
        vague = next(_vague(resource, f"{resource.get('resourceType')}."), "") if is_ours(resource) else ""
        wrong = vague or zoneless(resource) or _illegal(resource)
        if wrong:
            found[reference] = finding("WKX219", f"{with_whose(reference, resource)}: {wrong}")
    return found


def zoneless(resource: Mapping[str, Any]) -> str:
    """What is wrong with the time zone of a plan, whose CarePlan it is; "" for nothing."""
    try:
        zone_of("its zone", resource)
    except UnknownZoneError as wrong:
        return wrong.findings[0].details
    return ""


def _illegal(resource: Mapping[str, Any]) -> str:
    from waykeeper.validate import own_definitions, validate

    found = validate(dict(resource), profiles=(own_definitions(),), stricter=False)
    return next((f"{f.position}: {f.details}" for f in found if f.severity == "error"), "")


def _vague(value: Any, path: str) -> Iterator[str]:
    """A month or a year where a plan needs a day: legal FHIR, and no date of ours."""
    if isinstance(value, dict):
        for key, part in value.items():
            if isinstance(part, str) and _IS_DATE.search(key) and _VAGUE.fullmatch(part):
                yield f"{path}{key} is {part!r}, a day is wanted"
            yield from _vague(part, f"{path}{key}.")
    elif isinstance(value, list):
        for part in value:
            yield from _vague(part, path)


def legible(held: list[tuple[str, dict[str, Any]]]) -> list[tuple[str, dict[str, Any]]]:
    """The same, once it is known that the plans in it and what they are laid beside can be read.

    Raises BadAnswerError WKX219 that names what cannot; a failure for which no resource is to blame passes through.
    """
    with blaming(held):
        evidence_of(held, read_all(held))
    return held


@contextmanager
def blaming(held: Sequence[Held]) -> Iterator[None]:
    """Where what a server holds keeps us from reading it, name it instead of failing.

    Raises BadAnswerError WKX219; a failure for which no resource is to blame passes through.
    """
    try:
        yield
    except FAILURES:
        wrong = list(unreadable(held).values())
        if not wrong:
            raise
        raise BadAnswerError(wrong, 200) from None
