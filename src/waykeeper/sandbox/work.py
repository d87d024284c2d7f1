"""What one request, or one whole transaction, does to the store: the FHIR interactions without HTTP."""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from waykeeper.sandbox import search
from waykeeper.sandbox.checks import body_of, client_id, held, legal, writable
from waykeeper.sandbox.extract import literal, references
from waykeeper.sandbox.patches import patched
from waykeeper.sandbox.refusals import Refusal
from waykeeper.sandbox.resource_json import Resource, canonical
from waykeeper.sandbox.store import Store, Stored

_ETAG = re.compile(r'(?:W/)?"([^"]*)"|(\d+)')


@dataclass(frozen=True, slots=True)
class Done:
    """What came of an interaction: the HTTP status, and the version that stands now (None: nothing there)."""

    status: int
    stored: Stored | None = None


def etag_version(header: str) -> str:
    """The version in an entity tag, strong, weak or bare. Raises Refusal on anything else."""
    found = _ETAG.fullmatch(header.strip())
    if not found:
        raise Refusal("WKS226", 'If-Match takes one entity tag, as in W/"3"')
    return found[1] if found[1] is not None else found[2]


def condition_pairs(kind: str, condition: str) -> list[tuple[str, str]]:
    """The criteria of a conditional interaction, with or without `Type?` before them; never empty."""
    text = condition.strip()
    head, mark, rest = text.partition("?")
    if mark:
        if head not in ("", kind):
            raise Refusal("WKS207", f"the condition is about {head[:64]}, the url about {kind}")
        text = rest
    pairs = search.pairs_of(text)
    if not any(name.partition(":")[0] not in search.CONTROLS for name, _ in pairs):
        raise Refusal("WKS217", "a condition without criteria would match every resource of the type")
    return pairs


class Work:
    """Interactions inside one transaction of the store; `finish` checks the references between what was written."""

    def __init__(self, store: Store) -> None:
        """Begin with nothing written."""
        self.store = store
        self._written: dict[tuple[str, str], tuple[Resource, str]] = {}
        self._removed: dict[tuple[str, str], str] = {}

    def matches(self, kind: str, condition: str) -> Stored | None:
        """The one resource that a condition names, or None. Raises Refusal where it is several."""
        query = search.understand(kind, condition_pairs(kind, condition))
        found = self.store.by_pk(search.rows(self.store, query))
        if len(found) > 1:
            raise Refusal(
                "WKS214", f"the condition matches {len(found)} resources of type {kind}, at most one is allowed"
            )
        return found[0] if found else None

    def read(self, kind: str, key: str) -> Stored:
        """The newest version. Raises Refusal where there is none or it was deleted."""
        held(kind)
        found = self.store.get(kind, key)
        if found is None:
            raise Refusal("WKS205", f"there is no {kind}/{key[:64]}")
        if found.deleted:
            raise Refusal("WKS206", f"{kind}/{key} was deleted in version {found.version}")
        return found

    def vread(self, kind: str, key: str, number: str) -> Stored:
        """One version. Raises Refusal where there is none or it says deleted."""
        held(kind)
        found = self.store.version(kind, key, int(number)) if number.isascii() and number.isdigit() else None
        if found is None:
            raise Refusal("WKS205", f"there is no {kind}/{key[:64]} in version {number[:20]}")
        if found.deleted:
            raise Refusal("WKS206", f"{kind}/{key} was deleted in version {found.version}")
        return found

    def create(self, kind: str, body: object, condition: str = "", *, key: str = "", place: str = "") -> Done:
        """Create, or with a condition that matches one resource leave that as it is."""
        writable(kind)
        resource = body_of(kind, body)
        if condition:
            found = self.matches(kind, condition)
            if found:
                return Done(200, found)
        return Done(201, self._write(kind, key or str(uuid.uuid4()), resource, "POST", place))

    def update(self, kind: str, key: str, body: object, headers: Mapping[str, str], *, place: str = "") -> Done:
        """Update by id, or create under the client's id; `if-match` and `if-none-match` guard it."""
        writable(kind)
        client_id(key)
        resource = body_of(kind, body)
        if resource.get("id") != key:
            raise Refusal("WKS207", f"the body's id is {str(resource.get('id'))[:64]!r}, the url's {key!r}", "id")
        standing = self._guarded(kind, key, headers)
        if standing is None:
            return Done(201, self._write(kind, key, resource, "PUT", place))
        return self._replace(standing, resource, "PUT", place)

    def conditional_update(
        self, kind: str, condition: str, body: object, headers: Mapping[str, str], *, key: str = "", place: str = ""
    ) -> Done:
        """Update the one match; create where there is none. `if-match` counts here too."""
        writable(kind)
        resource = body_of(kind, body)
        found = self.matches(kind, condition)
        own = resource.get("id")
        if found and own not in (None, found.id):
            raise Refusal("WKS207", f"the body's id is {str(own)[:64]!r}, the match is {kind}/{found.id}", "id")
        target = found.id if found else str(own or key or uuid.uuid4())
        return self.update(kind, target, {**resource, "id": target}, headers, place=place)

    def patch(self, kind: str, key: str, operations: object, headers: Mapping[str, str], *, place: str = "") -> Done:
        """Apply a JSON Patch to the newest version."""
        writable(kind)
        standing = self._guarded(kind, key, headers) or self.read(kind, key)
        changed = patched(standing.resource(), operations)
        resource = body_of(kind, changed)
        if resource.get("id") != key:
            raise Refusal("WKS219", "a patch may not change the id")
        return self._replace(standing, resource, "PATCH", place)

    def delete(self, kind: str, key: str, headers: Mapping[str, str], *, place: str = "") -> Done:
        """Delete; what was never there or is deleted already counts as done."""
        writable(kind)
        standing = self._guarded(kind, key, headers)
        if standing is None:
            return Done(204)
        self._removed[kind, key] = place
        self._written.pop((kind, key), None)
        return Done(204, self.store.delete(kind, key))

    def finish(self) -> None:
        """Refuse references to what does not stand, and deletions of what is still referred to."""
        for (kind, key), place in self._removed.items():
            left = self.store.referrers(kind, key)
            if left and not self.store.exists(kind, key):
                raise _at(Refusal("WKS212", f"{kind}/{key} is still referred to by {', '.join(left)}"), place)
        for resource, place in self._written.values():
            for where, reference in references(resource):
                self._check_reference(reference["reference"], f"{resource['resourceType']}.{where}.reference", place)

    def _check_reference(self, text: str, expression: str, place: str) -> None:
        if text.startswith("#"):
            return
        target = literal(text)
        if target is None:
            raise _at(Refusal("WKS210", f"the reference {_short(text)} leads nowhere", expression), place)
        if target.base:
            raise _at(Refusal("WKS211", f"the reference {_short(text)} is absolute; write Type/id", expression), place)
        stands = self.store.exists(target.type, target.id)
        if target.version and stands:
            number = int(target.version) if target.version.isdecimal() else 0
            stands = self.store.version(target.type, target.id, number) is not None
        if not stands:
            raise _at(Refusal("WKS210", f"there is no {target.type}/{target.id}", expression), place)

    def _guarded(self, kind: str, key: str, headers: Mapping[str, str]) -> Stored | None:
        """The standing version, after the guards of the request; None where nothing stands."""
        found = self.store.get(kind, key)
        standing = None if found is None or found.deleted else found
        wanted = headers.get("if-match", "")
        if wanted and (standing is None or etag_version(wanted) != str(standing.version)):
            has = f"version {standing.version}" if standing else "not there"
            raise Refusal("WKS213", f"If-Match asks for {wanted[:40]}, {kind}/{key} is {has}")
        if headers.get("if-none-match", "").strip() == "*" and standing:
            raise Refusal("WKS223", f"{kind}/{key} exists already, in version {standing.version}")
        return standing

    def _replace(self, standing: Stored, resource: Resource, method: str, place: str) -> Done:
        """Write a new version only if something changed; labels that stand are kept, as servers do."""
        before = standing.resource()
        meta = _meta(before.get("meta", {}), resource.get("meta", {}))
        merged = {k: v for k, v in resource.items() if k != "meta"} | ({"meta": meta} if meta else {})
        if canonical(_content(before)) == canonical(_content(merged)):
            return Done(200, standing)
        return Done(200, self._write(standing.type, standing.id, merged, method, place))

    def _write(self, kind: str, key: str, resource: Resource, method: str, place: str) -> Stored:
        whole = {**resource, "id": key}
        try:
            legal(whole)
        except Refusal as refusal:
            raise _at(refusal, place) from None
        self._written[kind, key] = (whole, place)
        return self.store.put(kind, key, whole, method)


def _at(refusal: Refusal, place: str) -> Refusal:
    return refusal.at(place) if place else refusal


def _short(text: str) -> str:
    return repr(text[:80])


def _content(resource: Resource) -> Resource:
    """What counts as the same content: all but version and time."""
    meta = {k: v for k, v in resource.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    return {**resource, "meta": meta}


def _meta(before: Mapping[str, Any], after: Mapping[str, Any]) -> Resource:
    """Tags and security labels accumulate: an update cannot take away that somebody labelled a patient as a test."""
    made = dict(after)
    for name in ("tag", "security"):
        kept = list(before.get(name, ()))
        known = {(one.get("system"), one.get("code")) for one in kept}
        kept += [one for one in after.get(name, ()) if (one.get("system"), one.get("code")) not in known]
        if kept:
            made[name] = kept
    return made
