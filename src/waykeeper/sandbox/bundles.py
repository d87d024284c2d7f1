"""Transactions and batches.

A transaction is checked as a whole before anything is written: every entry's request, every identity once, every
reference inside it. Then it is carried out in the order DELETE, POST, PUT and PATCH, GET, all or nothing.
"""

from __future__ import annotations

import base64
import binascii
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import unquote

import orjson

from waykeeper.findings import did_you_mean
from waykeeper.sandbox.answers import Answer, Ask, bundle, refused, written
from waykeeper.sandbox.checks import body_of, client_id, writable
from waykeeper.sandbox.extract import literal, references
from waykeeper.sandbox.parameters import table
from waykeeper.sandbox.refusals import Refusal
from waykeeper.sandbox.resource_json import NotJson, Resource, parse
from waykeeper.sandbox.search import pairs_of
from waykeeper.sandbox.store import Store, instant
from waykeeper.sandbox.work import Done, Work, condition_pairs

_PHASE = {"DELETE": 0, "POST": 1, "PUT": 2, "PATCH": 2, "GET": 3, "HEAD": 3}
_GUARDS = {"ifMatch": "if-match", "ifNoneMatch": "if-none-match", "ifNoneExist": "if-none-exist"}
_ELEMENT = ("id", "extension", "modifierExtension")
_ENTRY = (*_ELEMENT, "link", "fullUrl", "resource", "search", "request", "response")
_REQUEST = (*_ELEMENT, "method", "url", "ifNoneMatch", "ifModifiedSince", "ifMatch", "ifNoneExist")
PATCH_TYPE = "application/json-patch+json"


class Service(Protocol):
    """The server, as far as a bundle needs it: what it holds, and its answer to one request."""

    store: Store

    def answer(self, ask: Ask) -> Answer:
        """Answer one request."""


@dataclass(slots=True)
class _Entry:
    """One entry as understood: what it does, to which identity, and where it stands in the bundle."""

    place: str
    full_url: str
    method: str
    path: tuple[str, ...]
    query: tuple[tuple[str, str], ...]
    raw_query: str
    headers: Mapping[str, str]
    body: Any
    key: str = ""  # the id it writes to, once that is settled
    settled: Done | None = None  # a conditional create that found its match

    @property
    def kind(self) -> str:
        return self.path[0]


def answer_bundle(service: Service, ask: Ask) -> Answer:
    """Carry out a transaction or a batch that was posted to the base."""
    body = body_of("Bundle", ask.body)
    entries = body.get("entry", [])
    if body.get("type") not in ("transaction", "batch"):
        raise Refusal("WKS220", "a bundle posted to the base is a transaction or a batch", "Bundle.type")
    if not isinstance(entries, list):
        raise Refusal("WKS220", "entry is a list", "Bundle.entry")
    shape = "transaction-response" if body["type"] == "transaction" else "batch-response"
    act = _transaction if body["type"] == "transaction" else _batch
    return Answer(200, bundle(shape, act(service, ask, entries), {}, None))


def _understand(number: int, raw: Any) -> _Entry:
    place = f"Bundle.entry[{number}]"
    request = raw.get("request") if isinstance(raw, dict) else None
    words = [request.get(name) for name in ("method", "url")] if isinstance(request, dict) else []
    if not isinstance(request, dict) or not all(isinstance(w, str) for w in words) or words[0] not in _PHASE:
        raise Refusal("WKS220", "the entry lacks a request with method and url", f"{place}.request")
    _known(request, _REQUEST, f"{place}.request")
    _known(raw, _ENTRY, place)
    path, _, query = request["url"].partition("?")
    headers = {_GUARDS[k]: str(v) for k, v in request.items() if k in _GUARDS}
    if request["url"].startswith(("http:", "https:", "/")):
        raise Refusal("WKS220", "the url of an entry is relative to the base", f"{place}.request.url")
    try:
        pairs = tuple(pairs_of(query))
    except Refusal as refusal:
        raise refusal.at(f"{place}.request.url") from None
    segments = tuple(unquote(part) for part in path.split("/") if part)
    entry = _Entry(
        place, str(raw.get("fullUrl", "")), request["method"], segments, pairs, query, headers, raw.get("resource")
    )
    try:
        _check_request(entry)
    except Refusal as refusal:
        raise refusal.at(place) from None
    return entry


def _known(given: Mapping[str, Any], known: Sequence[str], place: str) -> None:
    """Refuse an element that FHIR does not know: a guard that is misspelt would be no guard."""
    for name in given:
        if name.removeprefix("_") not in known:
            raise Refusal("WKS220", f"{name[:40]!r} is no element here. {did_you_mean(name, known)}", place)


def _check_request(entry: _Entry) -> None:
    """The rules of one entry: the url fits method and resource; deletes name an id."""
    writes = entry.method in ("POST", "PUT")
    if entry.method in ("GET", "HEAD"):
        return
    if writes != (entry.body is not None) and entry.method != "PATCH":
        raise Refusal("WKS220", f"{entry.method} {'needs a' if writes else 'takes no'} resource", "resource")
    allowed = {"POST": (1,), "PUT": (1, 2), "PATCH": (2,), "DELETE": (2,)}[entry.method]
    if (
        len(entry.path) not in allowed
        or (entry.query and len(entry.path) == 2)
        or (entry.method == "POST" and entry.query)
    ):
        raise Refusal(
            "WKS220", f"{entry.method} does not fit this url; deletes and patches name Type/id", "request.url"
        )
    writable(entry.kind)
    if writes:
        body_of(entry.kind, entry.body)
    if entry.method == "PUT" and len(entry.path) == 1:
        condition_pairs(entry.kind, entry.raw_query)
    if len(entry.path) == 2:
        entry.key = entry.path[1]
        if entry.method == "PUT":
            client_id(entry.key)
    if entry.method == "PATCH":
        entry.body = _patch_of(entry.body)


def _patch_of(resource: Any) -> Any:
    """The operations in a Binary; a FHIRPath Patch is refused by name."""
    if not isinstance(resource, dict) or resource.get("resourceType") != "Binary":
        raise Refusal(
            "WKS219", f"a patch in a bundle is a Binary of {PATCH_TYPE}; no other patch is offered", "resource"
        )
    if resource.get("contentType") != PATCH_TYPE:
        raise Refusal("WKS219", f"the Binary's contentType is not {PATCH_TYPE}", "resource.contentType")
    try:
        return parse(base64.b64decode(str(resource.get("data", "")), validate=True))
    except (binascii.Error, NotJson) as bad:
        raise Refusal("WKS219", f"the Binary holds no JSON Patch ({bad})", "resource.data") from None


def _transaction(service: Service, ask: Ask, raw: list[Any]) -> list[dict[str, Any]]:
    entries = [_understand(number, one) for number, one in enumerate(raw)]
    _check_full_urls(entries)
    answers: dict[str, Answer] = {}
    with service.store.transaction():
        work = Work(service.store)
        for entry in entries:
            _settle(work, entry)
        _check_identities(entries)
        targets = {e.full_url: f"{e.kind}/{e.key}" for e in entries if e.full_url and e.key}
        for entry in entries:
            if entry.method in ("POST", "PUT") and entry.settled is None:
                entry.body = _rewritten(work, entry, targets)
        for entry in sorted((e for e in entries if _PHASE[e.method] < 3), key=lambda e: _PHASE[e.method]):
            done = _do(work, entry)
            answers[entry.place] = written(ask, done.status, done.stored)
        work.finish()
        for entry in entries:
            if _PHASE[entry.method] == 3:
                answers[entry.place] = _read(service, ask, entry)
    wanted = ask.prefers("return")
    return [_response(answers[e.place], e, wanted) for e in entries]


def _read(service: Service, ask: Ask, entry: _Entry) -> Answer:
    answered = service.answer(Ask(entry.method, entry.path, entry.query, entry.headers, None, ask.base))
    if answered.status >= 500:
        raise Refusal("WKS227", "a read in the transaction failed", entry.place)
    return answered


def _check_full_urls(entries: list[_Entry]) -> None:
    seen: dict[str, str] = {}
    for entry in entries:
        if entry.full_url and entry.full_url in seen:
            raise Refusal("WKS221", f"the fullUrl stands in {seen[entry.full_url]} too", f"{entry.place}.fullUrl")
        seen[entry.full_url] = entry.place


def _settle(work: Work, entry: _Entry) -> None:
    """Find out which id the entry writes to, before anything is written."""
    try:
        if entry.method == "POST":
            condition = entry.headers.get("if-none-exist", "")
            found = work.matches(entry.kind, condition) if condition else None
            entry.settled = Done(200, found) if found else None
            entry.key = found.id if found else str(uuid.uuid4())
        elif entry.method == "PUT" and len(entry.path) == 1:
            found = work.matches(entry.kind, entry.raw_query)
            entry.key = found.id if found else str(entry.body.get("id") or uuid.uuid4())
    except Refusal as refusal:
        raise refusal.at(entry.place) from None


def _check_identities(entries: list[_Entry]) -> None:
    """One identity once: by id, and by condition (two equal conditions would make one resource of two)."""
    seen: dict[tuple[str, ...], str] = {}
    for entry in entries:
        if _PHASE[entry.method] == 3:
            continue
        names: list[tuple[str, ...]] = [(entry.kind, entry.key)]
        condition = entry.headers.get("if-none-exist", "") if entry.method == "POST" else entry.raw_query
        if condition:
            pairs = sorted(condition_pairs(entry.kind, condition))
            names.append((entry.kind, "?", *(f"{name}={value}" for name, value in pairs)))
        for name in names:
            if name in seen:
                raise Refusal("WKS221", f"the same identity is written in {seen[name]} too", entry.place)
        seen.update(dict.fromkeys(names, entry.place))


def _copied(value: Any) -> Any:
    """A copy of objects and arrays, so that the sender's own data stays as it is."""
    if isinstance(value, dict):
        return {key: _copied(child) if isinstance(child, dict | list) else child for key, child in value.items()}
    return [_copied(child) if isinstance(child, dict | list) else child for child in value]


def _rewritten(work: Work, entry: _Entry, targets: Mapping[str, str]) -> Resource:
    """The entry's resource with references inside the bundle, and conditional ones, made literal."""
    body: Resource = _copied(entry.body)
    for where, reference in references(body):
        text = reference["reference"]
        if text in targets:
            reference["reference"] = targets[text]
        elif text.startswith("urn:"):
            place = f"{entry.place}.resource.{where}.reference"
            raise Refusal("WKS210", f"no entry has the fullUrl {text[:80]!r}", place)
        elif "?" in text and not literal(text):
            reference["reference"] = _conditional(work, text, f"{entry.place}.resource.{where}.reference")
    return body


def _conditional(work: Work, text: str, place: str) -> str:
    """`Type?criteria` as `Type/id`, by what stood before this transaction."""
    kind, _, criteria = text.partition("?")
    try:
        if kind not in table():
            raise Refusal("WKS204", f"no resources of type {kind[:64]!r} are held here")
        found = work.matches(kind, criteria)
    except Refusal as refusal:
        raise Refusal(refusal.code, str(refusal), place) from None
    if found is None:
        raise Refusal("WKS228", f"the conditional reference to a {kind} matches nothing", place)
    return f"{kind}/{found.id}"


def _do(work: Work, entry: _Entry) -> Done:
    try:
        if entry.settled:
            return entry.settled
        if entry.method == "POST":
            return work.create(entry.kind, entry.body, key=entry.key, place=entry.place)
        if entry.method == "PUT" and len(entry.path) == 1:
            return work.conditional_update(
                entry.kind, entry.raw_query, entry.body, entry.headers, key=entry.key, place=entry.place
            )
        if entry.method == "PUT":
            return work.update(entry.kind, entry.key, entry.body, entry.headers, place=entry.place)
        if entry.method == "PATCH":
            return work.patch(entry.kind, entry.key, entry.body, entry.headers, place=entry.place)
        return work.delete(entry.kind, entry.key, entry.headers, place=entry.place)
    except Refusal as refusal:
        placed = any(issue.expression.startswith("Bundle.entry[") for issue in refusal.issues)
        raise (refusal if placed else refusal.at(entry.place)) from None


_REASON = {200: "OK", 201: "Created", 204: "No Content", 304: "Not Modified"}


def _response(answered: Answer, entry: _Entry, wanted: str) -> dict[str, Any]:
    """One entry of the response: in order, one for each entry of the request."""
    response: dict[str, Any] = {"status": f"{answered.status} {_REASON.get(answered.status, '')}".strip()}
    stored = answered.stored
    if stored is not None:
        response["etag"] = stored.etag
        response["lastModified"] = instant(stored.updated)
        if not stored.deleted and _PHASE[entry.method] < 3:
            response["location"] = stored.place
    made: dict[str, Any] = {}
    if answered.status >= 400:
        response["outcome"] = orjson.Fragment(answered.body)
    elif answered.body and (_PHASE[entry.method] == 3 or wanted == "representation"):
        made["resource"] = orjson.Fragment(answered.body)
    elif answered.body and wanted.lower() == "operationoutcome":
        response["outcome"] = orjson.Fragment(answered.body)
    made["response"] = response
    return made


def _batch(service: Service, ask: Ask, raw: list[Any]) -> list[dict[str, Any]]:
    """Each entry by itself: one that is refused does not touch the others."""
    made = []
    for number, one in enumerate(raw):
        try:
            entry = _understand(number, one)
        except Refusal as refusal:
            made.append({"response": {"status": str(refusal.status), "outcome": refusal.outcome()}})
            continue
        answered = _alone(service, ask, entry)
        made.append(_response(answered, entry, ask.prefers("return")))
    return made


def _alone(service: Service, ask: Ask, entry: _Entry) -> Answer:
    headers = dict(entry.headers)
    if ask.prefers("return"):
        headers["prefer"] = f"return={ask.prefers('return')}"
    if not entry.path:
        return refused(Refusal("WKS220", "an entry of a batch names a type", f"{entry.place}.request.url"))
    if entry.path[0] not in table() and entry.path != ("metadata",):
        return refused(Refusal("WKS204", f"no resources of type {entry.path[0][:64]!r} are held here", entry.place))
    return service.answer(Ask(entry.method, entry.path, entry.query, headers, entry.body, ask.base))
