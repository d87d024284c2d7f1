"""Rules of a Bundle as a whole: identity of entries, links between them, and what a transaction asks for."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from waykeeper.validate.run import Place, Run

Json = dict[str, Any]

_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_BODY = frozenset({"POST", "PUT", "PATCH"})
_UNADDRESSED = frozenset({"transaction", "batch", "transaction-response", "batch-response"})


def entries_by_url(bundle: Json) -> Json:
    """The resources of a bundle by fullUrl, and by `Type/id` where that is the fullUrl's end."""
    found: Json = {}
    for _, entry in _entries(bundle):
        url, resource = entry.get("fullUrl"), entry.get("resource")
        if isinstance(url, str) and isinstance(resource, dict):
            found.setdefault(url, resource)
    return found


def _entries(bundle: Json) -> Iterator[tuple[int, Json]]:
    entries = bundle.get("entry")
    for index, entry in enumerate(entries if isinstance(entries, list) else ()):
        if isinstance(entry, dict):
            yield index, entry


def check_bundle(bundle: Json, place: Place, run: Run) -> None:
    """The rules of identity (the specification's), and of requests and links (stricter)."""
    list_ = (place, "entry")
    for index, entry in _entries(bundle):
        _check_identity(bundle, entry, (list_, index), run)
    if run.stricter:
        _check_links(bundle, list_, run)
        if bundle.get("type") in ("transaction", "batch"):
            _check_requests(bundle, list_, run)


def _check_identity(bundle: Json, entry: Json, here: Place, run: Run) -> None:
    url, resource = entry.get("fullUrl"), entry.get("resource")
    if not isinstance(resource, dict):
        return
    if url is None:
        if bundle.get("type") not in _UNADDRESSED:
            run.add("WKV601", here, "the entry has no fullUrl; each entry but of a transaction or batch needs one")
        return
    name = resource.get("id")
    if isinstance(url, str) and url.startswith("http") and isinstance(name, str):
        _check_end(url, resource, name, here, run)


def _check_end(url: str, resource: Json, name: str, here: Place, run: Run) -> None:
    end = f"/{resource.get('resourceType')}/{name}"
    if not url.endswith(end):
        run.add("WKV602", (here, "fullUrl"), f"fullUrl {url!r} does not end with {end!r}, the resource's type and id")


def _check_links(bundle: Json, list_: Place, run: Run) -> None:
    """Every `urn:uuid:` that an entry refers to is the fullUrl of an entry."""
    known = {entry.get("fullUrl") for _, entry in _entries(bundle)}
    for index, entry in _entries(bundle):
        for place, text in _urns(entry.get("resource"), ((list_, index), "resource")):
            if text.partition("#")[0] not in known:
                run.add("WKV505", place, f"reference {text} leads to no entry of the bundle")


def _urns(value: Any, place: Place) -> Iterator[tuple[Place, str]]:
    todo = [(value, place)]
    while todo:
        held, here = todo.pop()
        if isinstance(held, dict):
            text = held.get("reference")
            if isinstance(text, str) and text.startswith("urn:uuid:"):
                yield (here, "reference"), text
            todo += [(below, (here, key)) for key, below in held.items() if isinstance(below, dict | list)]
        elif isinstance(held, list):
            todo += [(below, (here, index)) for index, below in enumerate(held) if isinstance(below, dict | list)]


def _check_requests(bundle: Json, list_: Place, run: Run) -> None:
    """What servers take silently and should not: see the room's README."""
    seen: dict[str, int] = {}
    for index, entry in _entries(bundle):
        request, here = entry.get("request"), (list_, index)
        if not isinstance(request, dict) or not isinstance(request.get("url"), str):
            continue
        _check_body(entry, request, here, run)
        _check_request_url(entry.get("resource"), request, here, run)
        for identity in _identities(entry, request):
            if identity in seen:
                run.add("WKV613", here, f"{identity} is written by entry {seen[identity]} and again by this one")
            seen.setdefault(identity, index)


def _check_body(entry: Json, request: Json, here: Place, run: Run) -> None:
    method, has_body = request.get("method"), "resource" in entry
    if method in _BODY and not has_body:
        run.add("WKV611", here, f"a {method} needs a resource in its entry")
    elif method in ("GET", "HEAD", "DELETE") and has_body:
        run.add("WKV611", here, f"a {method} must not have a resource in its entry")
    if "ifNoneExist" in request and method != "POST":
        run.add("WKV611", (here, "request"), f"ifNoneExist is for POST only, not for {method}")


def _check_request_url(resource: Any, request: Json, here: Place, run: Run) -> None:
    """POST goes to the type; PUT goes to the type and id of the resource, or to a condition on the type."""
    method, url = request.get("method"), request["url"]
    if not isinstance(resource, dict) or method not in ("POST", "PUT"):
        return
    type_, name = resource.get("resourceType"), resource.get("id")
    path, mark, condition = url.partition("?")
    wanted = str(type_) if method == "POST" or mark else f"{type_}/{name}"
    if path != wanted:
        run.add("WKV612", (here, "request"), f"a {method} of this resource goes to {wanted!r}, not to {url!r}")
    if mark and not condition.strip("&="):
        run.add("WKV612", (here, "request"), "the condition is empty and would match every resource")


def _identities(entry: Json, request: Json) -> Iterator[str]:
    """What an entry writes, by name: the same name twice in one bundle is a conflict."""
    method, url = request.get("method"), request["url"]
    if method in ("PUT", "PATCH", "DELETE"):
        yield url
    if isinstance(entry.get("fullUrl"), str) and method in _BODY:
        yield entry["fullUrl"]
    if method == "POST" and isinstance(request.get("ifNoneExist"), str):
        yield f"{url}?{request['ifNoneExist']}"
