"""Why an order says that a medicine is taken, where it points at a Condition instead of saying it itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from waykeeper.record.concepts import said_of
from waykeeper.record.medications import WEB, base_of
from waykeeper.record.references import relative

Resource = Mapping[str, Any]
CONFIRMED = "confirmed"  # FHIR R4, condition-ver-status: every other code says that it is not sure, or not so


class Reasons:
    """The Conditions of a record, by what references call them."""

    def __init__(self, resources: Iterable[tuple[str, Resource]]) -> None:
        """From (reference, resource) pairs."""
        self._by_name: dict[str, list[Resource]] = {}
        self._by_id: dict[str, list[tuple[str, Resource]]] = {}
        for name, resource in resources:
            if resource.get("resourceType") != "Condition":
                continue
            self._by_name.setdefault(name.partition("/_history/")[0], []).append(resource)
            own = f"Condition/{resource['id']}" if resource.get("id") else relative(name)
            self._by_id.setdefault(own, []).append((name, resource))

    def of(self, order: Resource, address: str = "") -> tuple[str, ...]:
        """Codes `system|code` and small letters, as reasonCode gives them; of two Conditions of one name none.

        address   where the order is: its relative references are of that server

        A reference that leads nowhere counts by what it displays. A Condition that is not sure is no reason: then why
        the medicine is taken is still asked.
        """
        server = base_of(address, order)
        found: list[str] = []
        contained = {f"#{c.get('id')}": c for c in order.get("contained") or () if c.get("resourceType") == "Condition"}
        for pointer in order.get("reasonReference") or ():
            target = str(pointer.get("reference") or "")
            known = [contained[target]] if target in contained else self._named(target, server)
            if known:
                told = {tuple(_said(one)) for one in known}  # a copy that is not sure, or another, leaves it open
                found += told.pop() if len(told) == 1 else ()
            elif pointer.get("display"):
                found.append(str(pointer["display"]).lower())
        return tuple(dict.fromkeys(found))

    def _named(self, target: str, server: str) -> list[Resource]:
        """The Conditions that a reference names; of an address that is not here one without a server may be meant."""
        plain = target.partition("/_history/")[0]
        if server and plain.startswith("Condition/"):
            plain = server + plain
        exact = self._by_name.get(plain)
        if exact or not plain or plain.startswith("urn:"):
            return exact or []
        found = self._by_id.get(relative(plain), [])
        return [one for name, one in found if not (plain.startswith(WEB) and name.startswith(WEB))]


def _said(condition: Resource) -> list[str]:
    status = condition.get("verificationStatus")
    if status and not any(c.get("code") == CONFIRMED for c in status.get("coding") or ()):
        return []
    return said_of(condition.get("code") or {})
