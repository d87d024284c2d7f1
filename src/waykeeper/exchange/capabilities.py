"""What a server can do for each thing that Waykeeper needs, and how that was found out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.reading import EVIDENCE, OURS
from waykeeper.exchange.server import Server
from waykeeper.exchange.trial import trial
from waykeeper.findings import finding

Word = Literal["yes", "no", "unknown"]
How = Literal["stated", "tried", "not stated"]


@dataclass(frozen=True, slots=True)
class Ability:
    """One thing that is needed. What the CapabilityStatement omits is unknown, not missing, until it was tried.

    required   without it a push is refused
    """

    name: str
    can: Word
    how: How
    required: bool = True
    detail: str = ""


def capabilities(server: Server, *, try_out: bool = True) -> tuple[Ability, ...]:
    """Read the CapabilityStatement once and, where allowed, write one trial resource and take it back.

    Raises BadAnswerError where there is no CapabilityStatement, NoAnswerError, CannotSendError.
    """
    statement = server.read("metadata") or {}
    if statement.get("resourceType") != "CapabilityStatement":
        raise _no_statement()
    rest: Mapping[str, Any] = next((r for r in statement.get("rest") or [] if r.get("mode") == "server"), {})
    system = {str(i.get("code")) for i in rest.get("interaction") or []}
    version = str(statement.get("fhirVersion") or "")
    found = [
        Ability("FHIR 4.0.1", _word(version in ("4.0.0", "4.0.1"), bool(version)), "stated", detail=version),
        _stated("transactions", "transaction", system),
        _batch(server),
        *_types(rest),
    ]
    return (*found, *(_tried(server) if try_out else ()))


def lacking(found: tuple[Ability, ...]) -> tuple[Ability, ...]:
    """What is needed and certainly not there."""
    return tuple(a for a in found if a.required and a.can == "no")


def _no_statement() -> BadAnswerError:
    return BadAnswerError(finding("WKX211", "metadata: the answer is no CapabilityStatement"), 200)


def _word(holds: bool, known: bool) -> Word:
    return "yes" if holds else "no" if known else "unknown"


def _stated(name: str, code: str, codes: set[str]) -> Ability:
    if code in codes:
        return Ability(name, "yes", "stated")
    return Ability(name, "unknown", "not stated")


def _batch(server: Server) -> Ability:
    """Several searches in one request: one is tried, because servers seldom state it."""
    try:
        entry = {"request": {"method": "GET", "url": "Patient?_count=1"}}
        server.bundle({"resourceType": "Bundle", "type": "batch", "entry": [entry]})
    except BadAnswerError as refused:
        return Ability("batches", "no", "tried", required=False, detail=str(refused.status))
    return Ability("batches", "yes", "tried", required=False)


def _types(rest: Mapping[str, Any]) -> list[Ability]:
    """Each resource type that is written or read, with the search parameters that finding it needs."""
    stated = {str(r.get("type")): r for r in rest.get("resource") or []}
    found = []
    for kind in dict.fromkeys(("Patient", *OURS, *EVIDENCE, "Provenance")):
        params = {str(p.get("name")) for p in (stated.get(kind) or {}).get("searchParam") or []}
        needed = _needed(kind)
        missing = sorted(needed - params) if params else []
        if kind not in stated:
            found.append(Ability(kind, _word(False, bool(stated)), "stated" if stated else "not stated"))
        elif missing:
            found.append(Ability(kind, "unknown", "not stated", detail=f"search by {', '.join(missing)}"))
        else:
            found.append(Ability(kind, "yes", "stated"))
    return found


def _needed(kind: str) -> set[str]:
    if kind == "Patient":
        return {"identifier"}
    return set() if kind == "Provenance" else {"patient"}


def _tried(server: Server) -> tuple[Ability, ...]:
    shown = trial(server)
    put = shown.form == "put"
    detail = "PUT with If-Match W/\"0\" creates and never overwrites" if put else "POST with ifNoneExist is used"
    return (
        Ability("extensions survive", "yes" if shown.extensions else "no", "tried"),
        Ability("ids of ours, without overwriting", "yes" if put else "no", "tried", required=False, detail=detail),
    )
