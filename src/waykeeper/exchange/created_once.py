"""A resource about an item, created once, also where an answer is lost on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from waykeeper.exchange.errors import BadAnswerError, NoAnswerError, refusal, understood
from waykeeper.exchange.server import Answer, Server
from waykeeper.fhir.conditions import condition, token
from waykeeper.fhir.names import NOTE_PATH
from waykeeper.findings import WaykeeperError, finding
from waykeeper.plan.model import Item, Plan

TRIES = 3
THERE = 200  # the answer to a conditional create where what is meant stands already; a creation is 201
AFTER_ALL = "If it happened after all, note it again with words of its own (text)."
SAME_DAY = "Run it again with the same day (--on): what was written is found, and not written twice."


@dataclass(frozen=True, slots=True)
class Created:
    """Where it stands. `stood`: it was there before this note asked for it."""

    reference: str
    stood: bool


def created(server: Server, plan: Plan, item: Item, resource: Mapping[str, Any], name: str = "") -> Created:
    """Create a resource about an item, unless one of its identifier stands.

    name   of what has no identifier of its own: made of what it says, so that the same note is found

    Where no answer comes, or none that says whether it was done, it is asked for again. Raises NoAnswerError or
    BadAnswerError where none comes at all; WaykeeperError WKX240 where what stands under this name was entered in
    error.
    """
    kind = str(resource["resourceType"])
    named = resource.get("identifier") or [{"system": f"{plan.episode.clinic_url}{NOTE_PATH}", "value": name}]
    headers = {
        "Prefer": "return=representation",
        "If-None-Exist": condition(named[0]["system"], named[0]["value"]),
    }
    for attempt in range(TRIES):
        try:
            answer = server.send("POST", kind, {**resource, "identifier": named}, headers=headers)
            if answer.status >= 400:
                raise refusal(answer.status, f"note about {item.key}", answer.document)
            made = answer.document if isinstance(answer.document, dict) else {}
            shown = _shown(kind, made, answer)
            ref, resource = shown or _found(server, kind, named[0])
            break
        except (NoAnswerError, BadAnswerError) as lost:  # also where what stands before the server gave up waiting
            if isinstance(lost, BadAnswerError) and understood(lost):
                raise
            if attempt == TRIES - 1:
                said = [replace(f, help=SAME_DAY) for f in lost.findings]
                raise (NoAnswerError(said) if isinstance(lost, NoAnswerError) else lost.about(said)) from None
    return Created(standing(item, ref, resource), shown is not None and answer.status == THERE and not attempt)


def _shown(kind: str, made: Mapping[str, Any], answer: Answer) -> tuple[str, Mapping[str, Any]] | None:
    """What the answer says was made; its Location where it gives no resource back; None where it says nothing."""
    if made.get("resourceType") == kind and made.get("id"):
        return f"{kind}/{made['id']}", made
    place = str((answer.headers or {}).get("Location") or "").partition("/_history/")[0]
    known = place.rpartition(f"/{kind}/")[2]
    return (f"{kind}/{known}", {}) if known else None


def _found(server: Server, kind: str, name: Mapping[str, str]) -> tuple[str, Mapping[str, Any]]:
    """What stands under this name, where the answer to its creation does not say what was made.

    Raises BadAnswerError WKX211 where nothing does: a success that says nothing is no proof.
    """
    there = server.search(kind, [("identifier", token(name["system"], name["value"]))])
    if not there:
        raise BadAnswerError(finding("WKX211", f"POST {kind}: the answer does not say what was made"), THERE)
    return there[0]


def standing(item: Item, ref: str, resource: Mapping[str, Any]) -> str:
    """The reference of what says the same. Raises WaykeeperError WKX240 where it was entered in error."""
    if resource.get("status") == "entered-in-error":
        raise WaykeeperError(
            finding("WKX240", f"{item.key}: {ref} says the same and was entered in error", help=AFTER_ALL)
        )
    return ref
