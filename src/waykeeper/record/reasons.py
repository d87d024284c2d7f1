"""Why an order says that a medicine is taken, where it points at a Condition instead of saying it itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from waykeeper.record.references import relative

Resource = Mapping[str, Any]
# FHIR R4, condition-ver-status: what was ruled out, or written by mistake, is no reason.
_NO_REASON = frozenset({"refuted", "entered-in-error"})


class Reasons:
    """The Conditions of a record, by what references call them."""

    def __init__(self, resources: Iterable[tuple[str, Resource]]) -> None:
        """From (reference, resource) pairs."""
        self._conditions: dict[str, list[Resource]] = {}
        for name, resource in resources:
            if resource.get("resourceType") != "Condition":
                continue
            own = f"Condition/{resource['id']}" if resource.get("id") else ""
            for known in {name, relative(name), own} - {""}:
                self._conditions.setdefault(known, []).append(resource)

    def of(self, order: Resource) -> tuple[str, ...]:
        """Codes `system|code` and small letters, as reasonCode gives them; of two Conditions of one name none.

        A reference that leads nowhere counts by what it displays.
        """
        found: list[str] = []
        contained = {f"#{c.get('id')}": c for c in order.get("contained") or () if c.get("resourceType") == "Condition"}
        for pointer in order.get("reasonReference") or ():
            target = str(pointer.get("reference") or "")
            known = [contained[target]] if target in contained else self._named(target)
            if known:
                found += _said(known[0]) if _alike(known) else []
            elif pointer.get("display"):
                found.append(str(pointer["display"]).lower())
        return tuple(dict.fromkeys(found))

    def _named(self, target: str) -> list[Resource]:
        plain = target.partition("/_history/")[0]
        return (self._conditions.get(plain) or self._conditions.get(relative(plain)) or []) if plain else []


def _alike(found: list[Resource]) -> bool:
    return len({str(one.get("code")) for one in found}) == 1


def _said(condition: Resource) -> list[str]:
    status = (condition.get("verificationStatus") or {}).get("coding") or ()
    if any(c.get("code") in _NO_REASON for c in status):
        return []
    concept: Resource = condition.get("code") or {}
    codings = concept.get("coding") or ()
    said = [f"{c.get('system', '')}|{c.get('code', '')}" for c in codings]
    said += [str(c["display"]).lower() for c in codings if c.get("display")]
    return said + ([str(concept["text"]).lower()] if concept.get("text") else [])
