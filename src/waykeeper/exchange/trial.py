"""The first resource written to a server: what its transactions, versions and searches are worth, shown by one Task.

The Task is no plan, is labelled as test data, and is taken back. What is found out holds for that Server object.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from waykeeper.exchange.errors import refusal
from waykeeper.exchange.server import WAIT_AND_AGAIN, Answer, Server, pause_of, status_of
from waykeeper.fhir.extensions import encode, find
from waykeeper.fhir.names import BASE, OFFERED, TASK_CODES, TEST_LABEL
from waykeeper.findings import WaykeeperError
from waykeeper.merge.apply import ABSENT

SYSTEM = f"{BASE}/identifier/trial"
TITLE = "Trial: does this server keep what it is given"
# Refusals that may mean "not in this form"; any other (401, 429, 500 ...) says nothing about what the server can do.
NOT_SO = (400, 404, 405, 409, 412, 415, 422, 501)
CREATED = 201
IN_ERROR = "entered-in-error"
LONG_AGO = timedelta(hours=1)  # no trial takes so long
BUSY = (409, *WAIT_AND_AGAIN)  # somebody else had it at that moment, or the server has too much to do


@dataclass(frozen=True, slots=True)
class Trial:
    """What one trial resource showed.

    extensions    our extensions came back as they were sent
    form          how to create: `put` (PUT of our id with If-Match W/"0" creates, and is refused the second time), else
                  `post` (POST with ifNoneExist, the server gives the id)
    transactions  "" where they work, else the server's refusal
    guarded       an update with the version of yesterday is refused (If-Match)
    whole         of a refused transaction nothing stands
    once          the same creation again makes no second resource
    seen          a search right after shows what was written
    """

    extensions: bool
    form: Literal["put", "post"] = "post"
    transactions: str = ""
    guarded: bool = True
    whole: bool = True
    once: bool = True
    seen: bool = True


def trial(server: Server) -> Trial:
    """Write one Task that is no plan, look at it, take it back; only once for a Server.

    Raises BadAnswerError (refused for another reason than its abilities), NoAnswerError, CannotSendError.
    """
    if not isinstance(server.proven, Trial):
        server.proven = _Trying(server).run()
    return server.proven


class _Trying:
    """One trial; lives no longer than the call."""

    def __init__(self, server: Server) -> None:
        self.server, self.known = server, str(uuid.uuid4())

    def run(self) -> Trial:
        try:
            reference, again, refused = self._made()
        except WaykeeperError:  # it may stand although no answer said so
            self._sweep()
            raise
        if not reference:
            return Trial(False, transactions=refused)
        try:
            first = self.server.read(reference) or {}
            guarded, whole = self._stale(reference, first)
            matches = self._named(self.known)
            kept = (find(first, OFFERED) or {}).get("extension") == _task()["extension"][0]["extension"]
        finally:
            self._take_back(reference)
        self._sweep_older(first)
        form: Literal["put", "post"] = "put" if again == "put" else "post"
        once = again != "double" and len(matches) < 2
        return Trial(kept, form, "", guarded, whole, once, bool(matches))

    def _made(self) -> tuple[str, str, str]:
        """(reference, how it went the second time, refusal): our id where it never overwrites, else the server's."""
        reference = f"Task/{self.known}"
        put = {"method": "PUT", "url": reference, "ifMatch": ABSENT}
        body = self._task() | {"id": self.known}
        first = self._transaction(_entry(put, body, self.known))
        if _done(first):
            second = self._transaction(_entry(put, {**body, "description": "again"}, self.known))
            return (reference, "double" if _done(second) else "put", "")
        post = {"method": "POST", "url": "Task", "ifNoneExist": f"identifier={SYSTEM}|{self.known}"}
        first = self._transaction(_entry(post, self._task(), self.known))
        if not _done(first):
            return "", "", str(refusal(first.status, "a transaction", first.document, first.kind).findings[0].details)
        made = self._new(first)
        if not made:
            return "", "", "a conditional creation is answered with what somebody else made"
        second = self._transaction(_entry(post, self._task(), self.known))
        double = _done(second) and _located(second) not in ("", made)
        if double:
            self._take_back(self._new(second))
        return made, "double" if double else "post", ""

    def _new(self, answer: Answer) -> str:
        """The reference of what a creation made; "" for what stood before and does not bear our name.

        A server that ignores the condition of a creation answers with what it has: somebody's work.
        """
        made = _located(answer)
        created = any(status_of(entry) == CREATED for entry in _entries(answer)[:1])
        return made if created or (made and _bears(self.server.read(made) or {}, self.known)) else ""

    def _stale(self, reference: str, first: Mapping[str, Any]) -> tuple[bool, bool]:
        """Update it twice from one version, the second time beside a creation: (refused, nothing of it stands)."""
        version = str((first.get("meta") or {}).get("versionId") or "")
        meta = {k: v for k, v in (first.get("meta") or {}).items() if k not in ("versionId", "lastUpdated")}
        request = {"method": "PUT", "url": reference, "ifMatch": f'W/"{version}"'}
        newer = {**first, "meta": meta, "description": "changed once"}
        if not version or not _done(self._transaction({"request": request, "resource": newer})):
            return False, True
        other = str(uuid.uuid4())
        post = {"method": "POST", "url": "Task", "ifNoneExist": f"identifier={SYSTEM}|{other}"}
        beside = _entry(post, self._task(other), other)
        lost = {**newer, "description": "changed by who had not seen it"}
        answer = self._transaction(beside, {"request": request, "resource": lost})
        left = self._named(other)
        for found in left:
            self._take_back(found)
        return not _done(answer), _done(answer) or not left

    def _task(self, known: str = "") -> dict[str, Any]:
        return _task() | {"identifier": [{"system": SYSTEM, "value": known or self.known}]}

    def _transaction(self, *entries: Mapping[str, Any]) -> Answer:
        document = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}
        answer = self.server.send("POST", "", document)
        for attempt in range(3):
            if answer.status not in (429, 503):
                break
            self.server.pause(float(2**attempt))
            answer = self.server.send("POST", "", document)
        if answer.status >= 400 and answer.status not in NOT_SO:
            raise refusal(answer.status, "trial of the server", answer.document, answer.kind)
        return answer

    def _sweep(self) -> None:
        """Take back what may stand of a trial that was broken off, as far as the server lets us."""
        with suppress(WaykeeperError):
            for found in self._named(self.known):
                self._take_back(found)

    def _sweep_older(self, own: Mapping[str, Any]) -> None:
        """Take back what stands of trials whose run was killed in the midst of them; a younger one may be under way."""
        until = _written(own) - LONG_AGO
        with suppress(WaykeeperError):
            for found, task in self.server.search("Task", [("identifier", f"{SYSTEM}|")]):
                if _bears(task) and task.get("status") != IN_ERROR and _written(task) < until:
                    self._take_back(found)

    def _named(self, known: str) -> list[str]:
        """The Tasks of this name. What does not bear it is somebody's work, given by a server that ignores what it is
        asked for; it is never touched."""
        found = self.server.search("Task", [("identifier", f"{SYSTEM}|{known}")])
        return [ref for ref, task in found if _bears(task, known)]

    def _take_back(self, reference: str) -> None:
        """Delete the trial, a second time where the server was busy; where it forbids it, mark it as in error."""
        if not reference:
            return
        answer = self.server.send("DELETE", reference)
        if answer.status in BUSY:
            self.server.pause(pause_of(answer, 0))
            answer = self.server.send("DELETE", reference)
        if answer.status >= 400:
            stands = self.server.read(reference)
            if stands:
                self.server.send("PUT", reference, {**stands, "status": IN_ERROR})


def _task() -> dict[str, Any]:
    return {
        "resourceType": "Task",
        "meta": {"security": [{"system": TEST_LABEL[0], "code": TEST_LABEL[1]}]},
        "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>Trial</p></div>'},
        "extension": [encode(OFFERED, [("scheme", 1), ("when", "trial"), ("ever", ("a", "b"))])],
        "status": "draft",
        "intent": "plan",
        "code": {"coding": [{"system": TASK_CODES, "code": "review"}], "text": TITLE},
    }


def _bears(task: Mapping[str, Any], known: str = "") -> bool:
    """True for a trial; with a name, for the one of that name."""
    names = [i.get("value") for i in task.get("identifier") or () if i.get("system") == SYSTEM]
    return known in names if known else bool(names)


def _written(task: Mapping[str, Any]) -> datetime:
    """When the server wrote it, by its own clock; as if just now where it does not say."""
    try:
        return datetime.fromisoformat(str((task.get("meta") or {}).get("lastUpdated"))).astimezone(UTC)
    except ValueError:
        return datetime.now(UTC)


def _entry(request: Mapping[str, str], resource: Mapping[str, Any], known: str) -> dict[str, Any]:
    return {"fullUrl": f"urn:uuid:{known}", "resource": resource, "request": request}


def _entries(answer: Answer) -> list[dict[str, Any]]:
    document = answer.document if isinstance(answer.document, dict) else {}
    return [e for e in document.get("entry") or [] if isinstance(e, dict)]


def _done(answer: Answer) -> bool:
    """True where the transaction and every entry of it succeeded."""
    found = _entries(answer)
    return answer.status < 300 and bool(found) and all(200 <= status_of(e) < 300 for e in found)


def _located(answer: Answer) -> str:
    """The reference of what the first entry made, "" where the answer does not say."""
    for entry in _entries(answer)[:1]:
        resource = entry.get("resource") or {}
        place = str((entry.get("response") or {}).get("location") or "").partition("/_history/")[0]
        if "Task/" in place:
            return "Task/" + place.rpartition("Task/")[2]
        if resource.get("id"):
            return f"Task/{resource['id']}"
    return ""
