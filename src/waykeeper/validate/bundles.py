"""Rules of a Bundle as a whole: identity of entries, links between them, and what a transaction asks for."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

from waykeeper.validate.primitives import is_absolute
from waykeeper.validate.references import is_search
from waykeeper.validate.run import Place, Run
from waykeeper.validate.tables import resource_types

Json = dict[str, Any]

_LITERAL = re.compile(r"https?://.+/([A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_BODY = ("POST", "PUT", "PATCH")  # tuples: what is looked up may be any JSON
_UNADDRESSED = ("transaction", "batch", "transaction-response", "batch-response")


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
    _check_relations(bundle, place, run)
    if bundle.get("type") == "document":
        check_document(bundle, list_, run)
    elif bundle.get("type") == "message":
        _check_message(bundle, list_, run)
    _check_relative(bundle, list_, run)
    if run.stricter:
        _check_links(bundle, run)
        if bundle.get("type") in ("transaction", "batch"):
            _check_requests(bundle, list_, run)


def _check_identity(bundle: Json, entry: Json, here: Place, run: Run) -> None:
    url, resource, kind = entry.get("fullUrl"), entry.get("resource"), bundle.get("type")
    if isinstance(url, str) and not is_absolute(url):
        run.add("WKV602", (here, "fullUrl"), f"fullUrl {url!r} must be absolute")
    if not isinstance(resource, dict):
        return
    if url is None:
        _check_unaddressed(kind, resource, here, run)
    elif isinstance(url, str) and is_absolute(url):
        _check_end(url, resource, kind, here, run)
    if kind == "searchset":
        _check_result(entry.get("search"), resource, here, run)


def _check_result(search: Any, resource: Json, here: Place, run: Run) -> None:
    """A result of a search has an id; an outcome beside the results has none (R4 bundle.html, entry.search.mode)."""
    mode = search.get("mode") if isinstance(search, dict) else None
    type_ = resource.get("resourceType")
    if mode == "outcome" and type_ != "OperationOutcome":
        run.add("WKV609", here, f"the entry is the outcome of the search, which is an OperationOutcome, not {type_}")
    if "id" in resource:
        return
    if mode in ("match", "include"):
        run.add("WKV607", here, f"the entry is a search result ({mode}) and has no id")
    elif run.stricter and mode != "outcome":
        run.add("WKV603", here, "a search result must have an id")


def _check_unaddressed(kind: Any, resource: Json, here: Place, run: Run) -> None:
    """An entry without fullUrl: only where it is not needed to tell what its references mean.

    What a server answers to a transaction or batch needs none: its references are read against that server.
    """
    if kind not in _UNADDRESSED:
        run.add("WKV601", here, "the entry has no fullUrl; each entry but of a transaction or batch needs one")
    elif kind in ("transaction", "batch") and any(not text.startswith("#") for _, text in references(resource, None)):
        run.add("WKV601", here, "the entry has no fullUrl, so its references cannot be resolved")


def _check_end(url: str, resource: Json, kind: Any, here: Place, run: Run) -> None:
    """A literal url ends with the type and id of the resource."""
    match = _LITERAL.fullmatch(url)
    if match is None or match[1] not in resource_types():
        return
    name = resource.get("id")
    end = f"/{resource.get('resourceType')}/{name}"
    if name is None and kind not in ("transaction", "batch-response", "transaction-response"):
        run.add("WKV602", (here, "fullUrl"), f"fullUrl {url!r} names an id, and the resource has none")
    elif name is not None and not url.endswith(end):
        run.add("WKV602", (here, "fullUrl"), f"fullUrl {url!r} does not end with {end!r}, the resource's type and id")


def _check_relations(bundle: Json, place: Place, run: Run) -> None:
    links = bundle.get("link")
    held = [link.get("relation") for link in links if isinstance(link, dict)] if isinstance(links, list) else []
    counts = Counter(name for name in held if isinstance(name, str))
    for name in [name for name, count in counts.items() if count > 1]:
        run.add("WKV604", (place, "link"), f"link relation {name!r} is there more than once")


def _check_relative(bundle: Json, list_: Place, run: Run) -> None:
    """A relative reference is read against the fullUrl of its entry, so it is Type/id (R4 bundle.html#references).

    In a transaction or batch it may be a search, which the server answers. An entry without fullUrl is told as such.
    """
    entries = dict(_entries(bundle))
    searches = bundle.get("type") in ("transaction", "batch")
    for place, text in run.links:
        addressed = "fullUrl" in entries.get(_index(place, list_), {})
        if text.startswith("urn:uuid:") or not addressed or (searches and is_search(text)):
            continue
        allowed = "Type/id" + (" or a search, Type?name=value" if searches else "")
        run.add("WKV504", (place, "reference"), f"relative reference {text!r} in a bundle must be {allowed}")


def _index(place: Place, list_: Place) -> int:
    """Which entry of a bundle a place is in; -1 for none."""
    while place is not None:
        parent, key = place
        if parent == list_ and isinstance(key, int):
            return key
        place = parent
    return -1


def _check_links(bundle: Json, run: Run) -> None:
    """Every `urn:uuid:` that the walk met is the fullUrl of an entry."""
    known = {url for _, entry in _entries(bundle) if isinstance(url := entry.get("fullUrl"), str)}
    for place, text in run.links:
        if text.startswith("urn:uuid:") and text.partition("#")[0] not in known:
            run.add("WKV505", (place, "reference"), f"reference {text} leads to no entry of the bundle")


def references(value: Any, place: Place) -> Iterator[tuple[Place, str]]:
    """Every `Reference.reference` below a value."""
    todo = [(value, place)]
    while todo:
        held, here = todo.pop()
        if isinstance(held, dict):
            text = held.get("reference")
            if isinstance(text, str):
                yield (here, "reference"), text
            todo += [(below, (here, key)) for key, below in held.items() if isinstance(below, dict | list)]
        elif isinstance(held, list):
            todo += [(below, (here, index)) for index, below in enumerate(held) if isinstance(below, dict | list)]


def check_document(bundle: Json, list_: Place, run: Run) -> None:
    """What the composition refers to is in the document, and every entry is reached from it."""
    entries = dict(_entries(bundle))
    first = entries.get(0, {}).get("resource")
    if not isinstance(first, dict) or first.get("resourceType") != "Composition":
        return
    at = _by_url(entries)
    found = {i: _targets(entry, at) for i, entry in entries.items()}
    for place, text in references(first, ((list_, 0), "resource")):
        if not text.startswith("#") and _lookup(text, entries[0], at) is None:
            run.add("WKV605", place, f"the composition refers to {text}, which is not in the document")
    for index in entries.keys() - _reached(found):
        run.add("WKV606", (list_, index), "the entry cannot be reached from the composition")


def _check_message(bundle: Json, list_: Place, run: Run) -> None:
    """What the header of a message names as its focus is in the message (R4 messaging.html, MessageHeader.focus)."""
    entries = dict(_entries(bundle))
    header = entries.get(0, {}).get("resource")
    if not isinstance(header, dict) or header.get("resourceType") != "MessageHeader":
        return
    at = _by_url(entries)
    for place, text in references(header.get("focus"), (((list_, 0), "resource"), "focus")):
        if not text.startswith("#") and _lookup(text, entries[0], at) is None:
            run.add("WKV608", place, f"the message is about {text}, which is not in it")


def _by_url(entries: dict[int, Json]) -> dict[str, int]:
    """The entries by fullUrl, and by the url of their version (R4 http.html#vread)."""
    found: dict[str, int] = {}
    for index, entry in entries.items():
        if "fullUrl" in entry:
            found[str(entry["fullUrl"])] = index
            held = entry.get("resource")
            meta = held.get("meta") if isinstance(held, dict) else None
            if isinstance(meta, dict) and isinstance(meta.get("versionId"), str):
                found[f"{entry['fullUrl']}/_history/{meta['versionId']}"] = index
    return found


def _targets(entry: Json, at: dict[str, int]) -> set[int]:
    held = {_lookup(text, entry, at) for _, text in references(entry.get("resource"), None)}
    return {index for index in held if index is not None}


def _lookup(text: str, source: Json, at: dict[str, int]) -> int | None:
    """The entry that a reference means, read against the fullUrl of the entry that holds it."""
    wanted = text.partition("#")[0]
    base = _LITERAL.fullmatch(str(source.get("fullUrl")))
    if base and not is_absolute(wanted):
        wanted = str(source["fullUrl"])[: base.start(1)] + wanted
    return at.get(wanted)


def _reached(found: dict[int, set[int]]) -> set[int]:
    """Entries linked to the first one, forward or backward."""
    both = {i: set(targets) for i, targets in found.items()}
    for index, targets in found.items():
        for target in targets:
            both[target].add(index)
    seen, todo = {0}, [0]
    while todo:
        new = both.get(todo.pop(), set()) - seen
        seen |= new
        todo += new
    return seen


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
