"""The sandbox's seam to the validator: what is illegal FHIR is refused, with the validator's own findings."""

from __future__ import annotations

import re

from waykeeper.sandbox.parameters import READ_ONLY, table
from waykeeper.sandbox.refusals import Issue, Refusal
from waykeeper.sandbox.resource_json import Resource

_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")


def held(kind: str) -> None:
    """Refuse a type that the sandbox does not hold."""
    if kind not in table():
        raise Refusal("WKS204", f"no resources of type {kind[:64]!r} are held here")


def writable(kind: str) -> None:
    """Refuse a write to a type that is only read."""
    held(kind)
    if kind in READ_ONLY:
        raise Refusal("WKS225", f"{kind} is read-only here: only the toolkit's own definitions are served")


def client_id(key: str) -> None:
    """Refuse an id that FHIR does not allow, or of digits only, which collides with ids that servers number."""
    if not _ID.fullmatch(key):
        raise Refusal("WKS208", "an id is 1 to 64 of A-Z a-z 0-9 - .")
    if key.isdigit():
        raise Refusal("WKS208", f"the id {key!r} is digits only; a client's id holds at least one letter, - or .")


def body_of(kind: str, body: object) -> Resource:
    """The body as a resource of the type that the url names."""
    if not isinstance(body, dict) or not isinstance(body.get("resourceType"), str):
        raise Refusal("WKS201", "the body is no resource: a JSON object with resourceType")
    if body["resourceType"] != kind:
        raise Refusal("WKS207", f"the body is a {body['resourceType'][:64]}, the url says {kind}", "resourceType")
    return body


def legal(resource: Resource) -> None:
    """Refuse a resource that the validator finds an error in; each finding becomes an issue."""
    from waykeeper.validate import own_definitions, validate

    issues = [
        Issue(found.sentence(), found.position.path, code=found.code)
        for found in validate(resource, (own_definitions(),))
        if found.severity == "error"
    ]
    if issues:
        raise Refusal("WKS209", issues[0].details, issues=issues)
