"""The server without HTTP: an Ask goes in, an Answer comes out."""

from __future__ import annotations

import itertools
import logging
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

from waykeeper.sandbox import search
from waykeeper.sandbox.answers import (
    Answer,
    Ask,
    bundle,
    found_entry,
    history_entry,
    refused,
    search_url,
    shown,
    written,
)
from waykeeper.sandbox.bundles import answer_bundle
from waykeeper.sandbox.capability import capability_statement
from waykeeper.sandbox.checks import body_of, held, legal
from waykeeper.sandbox.exports import FILE, STATUS, Exports
from waykeeper.sandbox.refusals import Issue, Refusal, all_ok
from waykeeper.sandbox.resource_json import dump
from waykeeper.sandbox.store import Store
from waykeeper.sandbox.work import Done, Work

_log = logging.getLogger("waykeeper.sandbox")
_Act = Callable[[Work], Done]


@dataclass(frozen=True, slots=True)
class Paging:
    """Page sizes: the size where none is asked for, the size that is never exceeded, how many searches stay open."""

    default: int = 10
    most: int = 50
    open: int = 500


@dataclass(frozen=True, slots=True)
class _Found:
    """A search that has more than one page: its matches as they were found."""

    query: search.Query
    pks: list[int]
    size: int


class Service:
    """The interactions of a FHIR server over a store."""

    def __init__(self, store: Store, paging: Paging | None = None) -> None:
        """Serve what the store holds."""
        self.store = store
        self.paging = paging or Paging()
        self._open: OrderedDict[str, _Found] = OrderedDict()
        self._numbers = itertools.count(1)
        self._exports = Exports(store)

    def answer(self, ask: Ask) -> Answer:
        """Answer one request; whatever goes wrong is an OperationOutcome."""
        try:
            return self._route(ask)
        except Refusal as refusal:
            return refused(refusal)
        except Exception as fault:
            _log.exception("a fault of the sandbox")
            return refused(Refusal("WKS227", f"a fault of the sandbox ({type(fault).__name__}); nothing was written"))

    def _route(self, ask: Ask) -> Answer:
        path = ask.path
        if ask.method == "HEAD":
            answered = self._route(Ask("GET", path, ask.query, ask.headers, None, ask.base))
            return Answer(answered.status, b"", answered.headers, answered.stored)
        if path == ("metadata",) and ask.method == "GET":
            return Answer(200, dump(capability_statement(ask.base, self.paging.default, self.paging.most)))
        if not path:
            return self._whole(ask)
        if path[0].startswith("$export") or path[-1] == "$export":
            return self._export(ask)
        if path[-1] == "_history" or (len(path) == 4 and path[2] == "_history"):
            return self._history(ask)
        held(path[0])
        if len(path) == 2 and path[1].startswith(("$", "_")):
            return self._named(ask)
        if len(path) == 1:
            return self._on_type(ask)
        if len(path) == 2:
            return self._on_instance(ask)
        raise Refusal("WKS222", f"nothing is offered under {len(path)} path segments")

    def _whole(self, ask: Ask) -> Answer:
        if ask.method == "POST":
            return answer_bundle(self, ask)
        query = dict(ask.query)
        if ask.method == "GET" and "_page" in query:
            return self._page(ask.base, query["_page"], query.get("_offset", "0"))
        raise Refusal("WKS222", f"{ask.method} on the whole server is not offered; a search names a type")

    def _export(self, ask: Ask) -> Answer:
        path = ask.path
        starts = path in (("$export",), ("Patient", "$export")) or (len(path) == 3 and path[0] == "Group")
        if starts and path[-1] == "$export" and ask.method == "GET":
            return self._exports.kick_off(ask)
        if len(path) == 2 and path[0] == STATUS and ask.method in ("GET", "DELETE"):
            return self._exports.status(ask)
        if len(path) == 3 and path[0] == FILE and ask.method == "GET":
            return self._exports.file(ask)
        raise Refusal("WKS222", "an export is begun by GET $export, Patient/$export or Group/ID/$export")

    def _named(self, ask: Ask) -> Answer:
        kind, name = ask.path
        if name == "_search" and ask.method == "POST":
            return self.search(ask, kind)
        if name == "$validate" and ask.method == "POST":
            return self._validate(kind, ask)
        raise Refusal("WKS222", f"{ask.method} {name[:40]} is not offered")

    def _validate(self, kind: str, ask: Ask) -> Answer:
        """The dry run: 200 with the findings, whether they are errors or not."""
        body = ask.body
        if isinstance(body, dict) and body.get("resourceType") == "Parameters":
            named = [p.get("resource") for p in body.get("parameter", ()) if p.get("name") == "resource"]
            body = named[0] if named else None
        resource = body_of(kind, body)
        try:
            legal(resource)
        except Refusal as refusal:
            return Answer(200, dump(refusal.outcome()))
        return Answer(200, dump(all_ok("no error was found")))

    def _on_type(self, ask: Ask) -> Answer:
        kind = ask.path[0]
        if ask.method == "GET":
            return self.search(ask, kind)
        if ask.method == "POST":
            return self._write(ask, lambda work: work.create(kind, ask.body, ask.headers.get("if-none-exist", "")))
        if ask.method == "PUT":
            condition = search_url("", "", ask.query).removeprefix("/")
            return self._write(ask, lambda work: work.conditional_update(kind, condition, ask.body, ask.headers))
        raise Refusal("WKS222", f"{ask.method} on a type is not offered; conditional deletes and patches are refused")

    def _on_instance(self, ask: Ask) -> Answer:
        kind, key = ask.path
        if ask.method == "GET":
            return shown(ask, 200, Work(self.store).read(kind, key))
        if ask.method == "PUT":
            return self._write(ask, lambda work: work.update(kind, key, ask.body, ask.headers))
        if ask.method == "PATCH":
            return self._write(ask, lambda work: work.patch(kind, key, ask.body, ask.headers))
        if ask.method == "DELETE":
            return self._write(ask, lambda work: work.delete(kind, key, ask.headers))
        raise Refusal("WKS222", f"{ask.method} on a resource is not offered")

    def _write(self, ask: Ask, act: _Act) -> Answer:
        with self.store.transaction():
            work = Work(self.store)
            done = act(work)
            work.finish()
        return written(ask, done.status, done.stored)

    def _history(self, ask: Ask) -> Answer:
        if ask.method != "GET":
            raise Refusal("WKS222", "a history is only read")
        if len(ask.path) == 4:
            return shown(ask, 200, Work(self.store).vread(ask.path[0], ask.path[1], ask.path[3]))
        kind = ask.path[0] if len(ask.path) > 1 else ""
        key = ask.path[1] if len(ask.path) > 2 else ""
        if kind:
            held(kind)
        since = _since(ask)
        found = self.store.history(kind, key, since)
        if key and not found and since is None:
            raise Refusal("WKS205", f"there is no {kind}/{key[:64]}")
        numbers = {name: int(value) for name, value in ask.query if name in ("_count", "_offset") and value.isdecimal()}
        offset, count = numbers.get("_offset", 0), numbers.get("_count", len(found)) or len(found)
        url = f"{ask.base}/{'/'.join(ask.path)}"
        links = {"self": url}
        if offset + count < len(found):
            kept = [(name, value) for name, value in ask.query if name != "_offset"]
            links["next"] = f"{url}?{urlencode([*kept, ('_offset', str(offset + count))])}"
        entries = [history_entry(ask.base, one) for one in found[offset : offset + count]]
        return Answer(200, bundle("history", entries, links, len(found)))

    def search(self, ask: Ask, kind: str) -> Answer:
        """Search one type, by url or by form."""
        held(kind)
        lenient = ask.prefers("handling") == "lenient"
        query = search.understand(kind, ask.query, lenient=lenient)
        with self.store.reading():
            pks = search.rows(self.store, query)
            links = {"self": search_url(ask.base, kind, query.used)}
            if query.only_count:
                return Answer(200, bundle("searchset", (), links, len(pks)))
            asked = query.count if query.count is not None else self.paging.default
            found = _Found(query, pks, min(asked, self.paging.most))
            return self._show(ask.base, found, 0, links, "")

    def _show(self, base: str, found: _Found, offset: int, links: dict[str, str], token: str) -> Answer:
        """One page of a search: matches, what the includes add to them, and what was left out of the question."""
        part = found.pks[offset : offset + found.size]
        if offset + found.size < len(found.pks):
            token = token or self._keep(found)
            links = {**links, "next": f"{base}?_page={token}&_offset={offset + found.size}"}
        matched = self.store.by_pk(part)
        added = self.store.by_pk(search.included(self.store, found.query.includes, part))
        entries = [found_entry(base, one, "match") for one in matched]
        entries += [found_entry(base, one, "include") for one in added]
        if found.query.ignored:
            entries.append({"resource": _left_out(found.query.ignored), "search": {"mode": "outcome"}})
        return Answer(200, bundle("searchset", entries, links, len(found.pks) if found.query.total else None))

    def _keep(self, found: _Found) -> str:
        token = str(next(self._numbers))
        self._open[token] = found
        while len(self._open) > self.paging.open:
            self._open.popitem(last=False)
        return token

    def _page(self, base: str, token: str, offset: str) -> Answer:
        with self.store.reading():
            found = self._open.get(token)
            if found is None or not offset.isdecimal():
                raise Refusal("WKS218", "this page is no longer held; search again")
            return self._show(base, found, int(offset), {"self": f"{base}?_page={token}&_offset={offset}"}, token)


def _left_out(issues: list[Issue]) -> dict[str, object]:
    refusal = Refusal("WKS215", "left out", issues=issues)
    return refusal.outcome()


def _since(ask: Ask) -> int | None:
    from waykeeper.sandbox.extract import bounds

    text = next((value for name, value in ask.query if name == "_since"), "")
    if not text:
        return None
    found = bounds(text)
    if not found:
        raise Refusal("WKS216", "_since is an instant")
    return found[0]
