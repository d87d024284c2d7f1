"""The HTTP side: bytes and headers to an Ask, an Answer to bytes and headers."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Mapping

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from waykeeper.sandbox.answers import Answer, Ask, refused
from waykeeper.sandbox.refusals import Refusal
from waykeeper.sandbox.resource_json import NotJson, parse
from waykeeper.sandbox.search import pairs_of
from waykeeper.sandbox.service import Paging, Service
from waykeeper.sandbox.store import Store

FHIR_JSON = "application/fhir+json"
BASE_PATH = "/fhir"
MOST_BYTES = 64 * 1024 * 1024

_JSON = (FHIR_JSON, "application/json")
_PATCH = ("application/json-patch+json",)
_FORM = ("application/x-www-form-urlencoded",)
_LOOPBACK = ("127.0.0.1", "localhost", "[::1]", "testserver")
_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")


def create_app(store: Store, paging: Paging | None = None) -> Starlette:
    """The server as an ASGI application, its base at `/fhir`."""
    service = Service(store, paging)

    async def endpoint(request: Request) -> Response:
        try:
            ask = await _ask(request)
        except Refusal as refusal:
            return _response(refused(refusal))
        except ClientDisconnect:  # cut off while it was sent: nothing was done, nobody listens
            return Response(status_code=400)
        return _response(await run_in_threadpool(service.answer, ask))

    async def elsewhere(_: Request) -> Response:
        return _response(refused(Refusal("WKS222", f"nothing is offered outside {BASE_PATH}")))

    routes = [
        Route(BASE_PATH, endpoint, methods=list(_METHODS)),
        Route(BASE_PATH + "/{path:path}", endpoint, methods=list(_METHODS)),
        Route("/{path:path}", elsewhere, methods=list(_METHODS)),
    ]
    return Starlette(routes=routes, middleware=[Middleware(GZipMiddleware, minimum_size=1000, compresslevel=4)])


async def _ask(request: Request) -> Ask:
    """Read a request. Raises Refusal where it is for another host, another format or no JSON."""
    host = request.headers.get("host", "")
    if host.rsplit(":", 1)[0] not in _LOOPBACK and host not in _LOOPBACK:
        raise Refusal("WKS225", "this server answers to the loopback address only")
    path = tuple(part for part in str(request.path_params.get("path", "")).split("/") if part)
    method = request.method
    query = _query(request)
    _acceptable(request.headers.get("accept", ""), dict(query).get("_format", ""))
    body: object = None
    search = method == "POST" and path[-1:] == ("_search",)
    if method in ("POST", "PUT", "PATCH"):
        raw = await _body(request)
        sent = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        allowed = _FORM if search else _PATCH if method == "PATCH" else _JSON
        if sent not in allowed and raw:
            raise Refusal("WKS202", f"the body is sent as {sent[:60] or 'nothing'}, allowed is {' or '.join(allowed)}")
        if search:
            query = query + pairs_of(raw.decode("utf-8", "replace"))
        else:
            body = _parsed(raw)
    base = f"{request.url.scheme}://{host}{BASE_PATH}"
    return Ask(method, path, tuple(query), dict(request.headers), body, base)


def _query(request: Request) -> list[tuple[str, str]]:
    """The query as pairs. Raises Refusal on characters that a url may not hold, as other servers do."""
    raw = request.scope["query_string"]
    if any(byte in b'|"<>\\^`{} ' or byte > 126 for byte in raw):
        raise Refusal("WKS216", "the url holds a character that must be percent-encoded, a bar is %7C")
    return pairs_of(raw.decode("ascii"))


def _acceptable(accept: str, form: str) -> None:
    """JSON is the only format offered; `_format` outranks the Accept header."""
    wanted = form or accept
    if wanted and not any(word in wanted for word in ("json", "*/*", "application/*")):
        raise Refusal("WKS203", "only JSON is offered (application/fhir+json)")


async def _body(request: Request) -> bytes:
    parts: list[bytes] = []
    size = 0
    async for part in request.stream():
        size += len(part)
        if size <= MOST_BYTES:  # the rest is read and dropped, so that the client gets to see the answer
            parts.append(part)
    if size > MOST_BYTES:
        raise Refusal("WKS224", f"the body is larger than {MOST_BYTES} bytes")
    raw = b"".join(parts)
    if request.headers.get("content-encoding", "") != "gzip":
        return raw
    try:
        unpacked = zlib.decompressobj(wbits=31).decompress(raw, MOST_BYTES + 1)
    except (zlib.error, gzip.BadGzipFile):
        raise Refusal("WKS201", "the body says gzip and is not") from None
    if len(unpacked) > MOST_BYTES:
        raise Refusal("WKS224", f"the body is larger than {MOST_BYTES} bytes")
    return unpacked


def _parsed(raw: bytes) -> object:
    if not raw.strip():
        raise Refusal("WKS201", "the body is empty")
    try:
        return parse(raw)
    except NotJson as bad:
        raise Refusal("WKS201", str(bad)) from None


def _response(answer: Answer) -> Response:
    headers: dict[str, str] = dict(answer.headers)

    headers.setdefault("cache-control", "no-store")
    kind = _content_type(answer.headers) if answer.body else None
    return Response(answer.body, status_code=answer.status, headers=headers, media_type=kind)


def _content_type(headers: Mapping[str, str]) -> str:
    return headers.get("content-type", f"{FHIR_JSON}; charset=utf-8")
