"""What is asked and what is answered, without HTTP: also the entries of a batch and the reads of a transaction."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import format_datetime
from typing import Any
from urllib.parse import urlencode

import orjson

from waykeeper.sandbox.refusals import Refusal, all_ok
from waykeeper.sandbox.resource_json import dump
from waykeeper.sandbox.store import Stored, instant


@dataclass(frozen=True, slots=True)
class Ask:
    """One request: method, path below the base, query, headers (names in small letters), parsed body."""

    method: str
    path: tuple[str, ...]
    query: tuple[tuple[str, str], ...] = ()
    headers: Mapping[str, str] = field(default_factory=dict)
    body: Any = None
    base: str = "http://127.0.0.1/fhir"

    def prefers(self, name: str) -> str:
        """The value of one preference (`return`, `handling`) in the Prefer header, or "" """
        for part in self.headers.get("prefer", "").replace(";", ",").split(","):
            key, _, value = part.strip().partition("=")
            if key.strip() == name:
                return value.strip() or "yes"
        return ""


@dataclass(frozen=True, slots=True)
class Answer:
    """One response: status, JSON text, headers; `stored` is the version that the response is about."""

    status: int
    body: bytes = b""
    headers: Mapping[str, str] = field(default_factory=dict)
    stored: Stored | None = None


def refused(refusal: Refusal) -> Answer:
    """The OperationOutcome of a refusal."""
    headers = {"retry-after": "1"} if refusal.status == 429 else {}
    return Answer(refusal.status, dump(refusal.outcome()), headers)


def _http_date(moment: datetime) -> str:
    return format_datetime(moment.astimezone(UTC).replace(microsecond=0), usegmt=True)


def version_headers(stored: Stored) -> dict[str, str]:
    """ETag and Last-Modified of a version."""
    return {"etag": stored.etag, "last-modified": _http_date(stored.updated)}


def shown(ask: Ask, status: int, stored: Stored) -> Answer:
    """A version as the answer to a read; 304 where the client holds it already."""
    headers = version_headers(stored)
    known = [tag.strip() for tag in ask.headers.get("if-none-match", "").split(",")]
    if stored.etag in known:
        return Answer(304, b"", headers, stored)
    return Answer(status, stored.body, headers, stored)


def written(ask: Ask, status: int, stored: Stored | None) -> Answer:
    """The answer to a write, with as much in it as the client prefers."""
    if stored is None or stored.deleted:
        return Answer(status, b"", {} if stored is None else {"etag": stored.etag}, stored)
    headers = version_headers(stored) | {"location": f"{ask.base}/{stored.place}"}
    wanted = ask.prefers("return")
    if wanted == "minimal":
        return Answer(status, b"", headers, stored)
    if wanted.lower() == "operationoutcome":
        word = "created" if status == 201 else "stands"
        return Answer(
            status, dump(all_ok(f"{stored.type}/{stored.id} {word} in version {stored.version}")), headers, stored
        )
    return Answer(status, stored.body, headers, stored)


def search_url(base: str, kind: str, pairs: Sequence[tuple[str, str]]) -> str:
    """The url of a search, every character of the values encoded as needed."""
    query = urlencode(list(pairs))
    return f"{base}/{kind}" + (f"?{query}" if query else "")


def bundle(kind: str, entries: Sequence[Mapping[str, Any]], links: Mapping[str, str], total: int | None) -> bytes:
    """A Bundle of answers as JSON text."""
    made: dict[str, Any] = {
        "resourceType": "Bundle",
        "id": str(uuid.uuid4()),
        "meta": {"lastUpdated": instant(datetime.now(UTC))},
        "type": kind,
    }
    if total is not None:
        made["total"] = total
    made["link"] = [{"relation": relation, "url": url} for relation, url in links.items()]
    if not made["link"]:
        del made["link"]
    if entries:
        made["entry"] = list(entries)
    return dump(made)


def found_entry(base: str, stored: Stored, mode: str) -> dict[str, Any]:
    """One entry of a search set; the resource goes out as it stands in the store."""
    return {
        "fullUrl": f"{base}/{stored.type}/{stored.id}",
        "resource": orjson.Fragment(stored.body),
        "search": {"mode": mode},
    }


def history_entry(base: str, stored: Stored) -> dict[str, Any]:
    """One entry of a history."""
    status = "204 No Content" if stored.deleted else "201 Created" if stored.version == 1 else "200 OK"
    url = stored.type if stored.method == "POST" else f"{stored.type}/{stored.id}"
    made: dict[str, Any] = {
        "fullUrl": f"{base}/{stored.type}/{stored.id}",
        "request": {"method": stored.method, "url": url},
        "response": {"status": status, "etag": stored.etag, "lastModified": instant(stored.updated)},
    }
    if not stored.deleted:
        made["resource"] = orjson.Fragment(stored.body)
    return made
