"""Bulk export (FHIR Bulk Data Access 2.0): kick-off, patient polling, NDJSON to disk; it can be broken off and goes on.

A folder holds one export. Files are written beside their name and renamed when they are whole; `export.state` remembers
what was asked and where the server keeps it, so that the same command goes on where it was.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import orjson
import requests

from waykeeper.exchange.errors import (
    GRAVE,
    BadAnswerError,
    CannotSendError,
    NoAnswerError,
    issue_texts,
    issues_of,
    refusal,
    words_of,
)
from waykeeper.exchange.files import EXPORT_STATE, OUTCOMES, write_whole
from waykeeper.exchange.kinds import EVIDENCE, OURS, RECORD
from waykeeper.exchange.server import ATTEMPTS, FHIR_JSON, LONGEST_WAIT, Answer, Server, broken, pause_of, read_answer
from waykeeper.findings import Finding, Position, finding, visible

HALF_STATE = f".{EXPORT_STATE}."  # as a run that is killed while it writes the state leaves it
NDJSON = "application/fhir+ndjson"
TYPES = tuple(sorted({"Patient", "Medication", *OURS, *EVIDENCE, *RECORD}))
# In no patient's compartment of R4, so a server refuses them for a group: the whole system is asked for these, and what
# is not of the group's patients is left out here.
OUTSIDE = ("Medication", "Task")
SUBJECTS = ("subject", "patient", "for")
CHUNK = 1 << 16
LONGEST_TYPE = 60  # letters of a resource type; it is a part of the name of a file
SHOWN = 20  # errors of a server that are printed


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to export: a group's patients or the whole system, which types, changes since an instant or everything."""

    group: str = ""
    types: tuple[str, ...] = TYPES
    since: str = ""

    def json(self) -> dict[str, Any]:
        """With stable names."""
        return {"group": self.group, "types": list(self.types), "since": self.since}


@dataclass(frozen=True, slots=True)
class Exported:
    """What lies in the folder: resources by type, the server's moment of it, what the server could not give."""

    folder: str
    server: str
    moment: str
    counts: Mapping[str, int]
    files: tuple[str, ...]
    deleted: int = 0
    findings: tuple[Finding, ...] = ()

    def json(self) -> dict[str, Any]:
        """With stable names."""
        return {
            "schema_version": 1, "server": self.server, "folder": self.folder, "transaction_time": self.moment,
            "resources": dict(sorted(self.counts.items())), "files": list(self.files), "deleted": self.deleted,
            "findings": [{"code": f.code, "severity": f.severity, "details": f.details} for f in self.findings],
        }  # fmt: skip


def export(
    server: Server, folder: str, wanted: Wanted, *, wait: float = 3600.0, told: Callable[[str], None] = lambda _: None
) -> Exported:
    """Export into an empty folder, or go on with what was broken off there.

    wait   seconds of the server's work after which it is left alone; it goes on, and so does the next call

    Raises CannotSendError WKX120 (the folder holds something else), BadAnswerError WKX123 (not offered as asked),
    NoAnswerError WKX121 (not ready in time), BadAnswerError WKX122 (a file that stays incomplete).
    """
    return _Export(server, Path(folder), wanted, wait, told).run()


@dataclass
class _Export:
    """One run; what it knows is written down after each step."""

    server: Server
    folder: Path
    wanted: Wanted
    wait: float
    told: Callable[[str], None]
    jobs: list[dict[str, Any]] = field(default_factory=list)
    waited: float = 0.0

    def run(self) -> Exported:
        self._open()
        if not self.jobs:
            self.jobs = self._begun()
            self._keep()
        for job in self.jobs:
            self._manifest(job)
        self._complete()
        files = [name for job in self.jobs for name in self._outputs(job)]
        found, deleted = self._errors(), self._deleted()
        for job in self.jobs:
            self._dismiss(job)
        self._keep(done=True)
        counts: Counter[str] = Counter()
        for name in files:
            counts[name.rpartition("-")[0]] += sum(1 for _ in _lines_of(self.folder / name))
        moment = min(str(job["manifest"].get("transactionTime") or "") for job in self.jobs)
        return Exported(str(self.folder), self.server.base, moment, counts, tuple(files), deleted, found)

    # what is remembered

    def _open(self) -> None:
        place = Position(str(self.folder))
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            there = sorted(p.name for p in self.folder.iterdir() if not p.name.startswith(HALF_STATE))
            kept = json.loads((self.folder / EXPORT_STATE).read_text("utf-8")) if EXPORT_STATE in there else None
        except (OSError, ValueError) as error:
            reason = (getattr(error, "strerror", "") or f"{EXPORT_STATE} cannot be read").lower()
            raise CannotSendError(finding("WKX120", f"the folder cannot be used: {reason}", place)) from None
        if kept is None and there:
            details = f"the folder holds {there[0]!r}, which no export wrote"
            raise CannotSendError(finding("WKX120", details, place))
        if kept is None:
            return
        if not isinstance(kept, dict) or (kept.get("server"), kept.get("asked")) != (
            self.server.base,
            self.wanted.json(),
        ):
            raise CannotSendError(finding("WKX120", "the folder holds another export", place))
        if kept.get("done"):
            details = f"the folder holds this export already, of {kept['moment']}"
            raise CannotSendError(finding("WKX120", details, place, "Give another folder for a newer one."))
        self.jobs = kept["jobs"]
        self.told("going on with the export that was broken off")

    def _keep(self, *, done: bool = False) -> None:
        moments = [str((job.get("manifest") or {}).get("transactionTime") or "") for job in self.jobs]
        said = {
            "schema_version": 1, "server": self.server.base, "asked": self.wanted.json(), "done": done,
            "moment": min(moments, default=""), "jobs": self.jobs,
        }  # fmt: skip
        write_whole(str(self.folder / EXPORT_STATE), json.dumps(said, indent=1))

    # asking

    def _begun(self) -> list[dict[str, Any]]:
        """The exports that were begun: one, or two where a group's cannot hold every type."""
        if not self.wanted.group:
            return [self._kick_off("$export", self.wanted.types)]
        path = f"Group/{self.wanted.group}/$export"
        types = tuple(dict.fromkeys(("Patient", *self.wanted.types)))  # whose the rest is, is told by the patients
        outside = tuple(t for t in types if t in OUTSIDE)
        try:
            return [self._kick_off(path, types)]
        except BadAnswerError as refused:
            if refused.status not in (400, 422) or not outside:
                raise
        inside = tuple(t for t in types if t not in OUTSIDE)
        return [self._kick_off(path, inside), {**self._kick_off("$export", outside), "of_patients": True}]

    def _complete(self) -> None:
        """A group's export without any Task may be one that leaves Tasks out without a word: ask the whole system."""
        if not self.wanted.group or len(self.jobs) > 1:
            return
        given = {str(one.get("type")) for one in self.jobs[0]["manifest"].get("output") or []}
        lacking = tuple(t for t in OUTSIDE if t in self.wanted.types and t not in given)
        if lacking:
            self.jobs.append({**self._kick_off("$export", lacking), "of_patients": True})
            self._keep()
            self._manifest(self.jobs[-1])

    def _kick_off(self, path: str, types: Sequence[str]) -> dict[str, Any]:
        params = [("_type", ",".join(types)), *([("_since", self.wanted.since)] if self.wanted.since else [])]
        url = f"{path}?{urlencode(params)}"
        answer = self.server.send("GET", url, headers={"Accept": FHIR_JSON, "Prefer": "respond-async"})
        place = (answer.headers or {}).get("Content-Location", "")
        if answer.status == 401:
            raise refusal(answer.status, path, answer.document, answer.kind)
        if answer.status >= 300:
            said = refusal(answer.status, path, answer.document, answer.kind).findings[0].details
            raise BadAnswerError(finding("WKX123", said), answer.status)
        if answer.status != 202 or not place:
            details = f"{path}: {answer.status}, the server does not say where the export will be"
            raise BadAnswerError(finding("WKX123", details), answer.status)
        place = self.server.by_our_address(place, f"{path}: the export is announced")
        return {"path": path, "types": list(types), "status": place, "manifest": None, "of_patients": False}

    def _manifest(self, job: dict[str, Any]) -> None:
        """Ask until the export is ready; where the server has forgotten it, it is begun anew, once."""
        attempt, anew = 0, False
        while job["manifest"] is None:
            answer = self._status(job["status"])
            if answer.status == 200:
                if wrong := _no_manifest(answer.document):
                    raise BadAnswerError(finding("WKX211", f"state of the export: {wrong}"), answer.status)
                job["manifest"] = answer.document
                self._keep()
                return
            if answer.status in (404, 410) and not anew:
                job |= self._kick_off(job["path"], job["types"]) | {"of_patients": job["of_patients"]}
                self._forget(job["types"])  # files of another moment must not stand beside the new ones
                anew = True
                self._keep()
                continue
            if answer.status not in (202, 429, 503):
                raise refusal(answer.status, "state of the export", answer.document, answer.kind)
            progress = (answer.headers or {}).get("X-Progress", "")
            self.told(f"the server is working: {visible(progress[:60])}" if progress else "the server is working")
            self._pause(answer, attempt)
            attempt += 1

    def _forget(self, types: Sequence[str]) -> None:
        for kind in types:
            for file in self.folder.glob(f"{kind}-*.ndjson"):
                file.unlink()

    def _status(self, url: str) -> Answer:
        return read_answer(self.server.signed("GET", url, None, {"Accept": "application/json"}), "state of the export")

    def _pause(self, answer: Answer, attempt: int) -> None:
        seconds = min(max(pause_of(answer, min(attempt + 1, 6)), 0.2), LONGEST_WAIT)
        if self.waited + seconds > self.wait:
            raise NoAnswerError(finding("WKX121", f"not ready after {self.waited:.0f} s"))
        self.waited += seconds
        self.server.pause(seconds)

    # files

    def _outputs(self, job: dict[str, Any]) -> list[str]:
        """Fetch every file that is not there yet; their names."""
        numbers: Counter[str] = Counter()
        names = []
        keep = self._of_patients() if job["of_patients"] else None
        outputs = sorted(job["manifest"].get("output") or [], key=lambda o: str(o.get("type")) != "Patient")
        for one in outputs:
            kind = str(one.get("type") or "")
            if not (kind.isascii() and kind.isalpha() and len(kind) <= LONGEST_TYPE):
                raise BadAnswerError(finding("WKX211", "the export lists a file without a type"), 200)
            numbers[kind] += 1
            names.append(f"{kind}-{numbers[kind]}.ndjson")
            self._fetch(one, names[-1], job, keep)
        return names

    def _fetch(
        self, one: Mapping[str, Any], name: str, job: Mapping[str, Any], keep: Callable[[bytes], bool] | None = None
    ) -> None:
        if (self.folder / name).exists():
            return
        for attempt in range(ATTEMPTS):
            try:
                self._download(one, name, job, keep)
                return
            except (NoAnswerError, _IncompleteError) as error:
                if attempt == ATTEMPTS - 1:
                    said = error if isinstance(error, _IncompleteError) else "the connection broke"
                    raise BadAnswerError(finding("WKX122", f"{name}: {said}, {ATTEMPTS} times"), 200) from None
                self.server.pause(float(2**attempt))

    def _download(
        self, one: Mapping[str, Any], name: str, job: Mapping[str, Any], keep: Callable[[bytes], bool] | None
    ) -> None:
        self.told(f"fetching {name}")
        part = self.folder / f".{name}.part"
        try:
            with self._opened(str(one.get("url") or ""), job) as response, _private(part) as out:
                lines = 0
                for line in _lines(response, name):
                    lines += 1
                    if keep is None or keep(line):
                        out.write(line + b"\n")
            count = one.get("count")
            if isinstance(count, int) and count != lines:
                raise _IncompleteError(f"{lines} lines came, {count} were announced")
            part.replace(self.folder / name)
        except OSError as error:
            reason = (error.strerror or "it cannot be written").lower()
            raise CannotSendError(finding("WKX120", f"{name}: {reason}", Position(str(self.folder)))) from None
        finally:
            part.unlink(missing_ok=True)

    def _opened(self, url: str, job: Mapping[str, Any]) -> requests.Response:
        """The answer of a file: with credentials here, without them elsewhere, never with them elsewhere."""
        headers = {"Accept": NDJSON}
        with suppress(BadAnswerError):
            url = self.server.by_our_address(url, "a file of the export lies")
        here = self.server.is_here(url)
        if not here and job["manifest"].get("requiresAccessToken"):
            said = f"a file of the export lies on another host, {urlsplit(url).netloc}, and wants our token"
            raise BadAnswerError(finding("WKX210", said))
        response = self.server.signed("GET", url, None, headers, stream=True) if here else self._elsewhere(url, headers)
        if response.status_code != 200:
            answer = read_answer(response, "file of the export")
            response.close()
            if answer.status in (429, 500, 502, 503, 504):
                raise _IncompleteError(f"the server answered {answer.status}")
            if answer.status in (404, 410):
                details = f"a file of the export: {answer.status}, the server keeps this export no longer"
                raise BadAnswerError(finding("WKX122", details, help="Export into another folder."), answer.status)
            raise refusal(answer.status, "file of the export", answer.document, answer.kind)
        return response

    def _elsewhere(self, url: str, headers: Mapping[str, str]) -> requests.Response:
        return self.server.unsigned(url, headers)

    def _of_patients(self) -> Callable[[bytes], bool]:
        """A test of a line: is it of a patient whose file is here, or of nobody."""
        files = sorted(self.folder.glob("Patient-*.ndjson"))
        known = {f"Patient/{orjson.loads(line).get('id')}" for file in files for line in _lines_of(file)}

        def keep(line: bytes) -> bool:
            resource = orjson.loads(line)
            whose = {str((resource.get(n) or {}).get("reference") or "") for n in SUBJECTS if n in resource}
            return not whose or bool(whose & known)

        return keep

    # what the server says beside

    def _errors(self) -> tuple[Finding, ...]:
        """What the server could not export, as findings; kept whole in files that are no resources of a caseload."""
        found: list[Finding] = []
        for one, name, job in self._listed("error", f"errors-{{}}{OUTCOMES}"):
            self._fetch(one, name, job)
            for line in _lines_of(self.folder / name):
                found += _issues(orjson.loads(line))
        grave = sorted(found, key=lambda f: f.severity != "error")
        more = grave[SHOWN:]
        rest = [finding("WKX122", f"{len(more)} more are in the folder", severity=f.severity) for f in more[:1]]
        return (*grave[:SHOWN], *rest)

    def _deleted(self) -> int:
        """How many resources the server says were deleted since; the list is kept."""
        total = 0
        for one, name, job in self._listed("deleted", "deleted-{}.bundles"):
            self._fetch(one, name, job)
            total += sum(len(orjson.loads(line).get("entry") or []) for line in _lines_of(self.folder / name))
        return total

    def _listed(self, what: str, pattern: str) -> Iterator[tuple[Mapping[str, Any], str, Mapping[str, Any]]]:
        every = [(one, job) for job in self.jobs for one in job["manifest"].get(what) or []]
        for number, (one, job) in enumerate(every, 1):
            yield one, pattern.format(number), job

    def _dismiss(self, job: Mapping[str, Any]) -> None:
        """Tell the server that it may forget the export; whether it wants to know is its own matter."""
        try:
            self.server.signed("DELETE", job["status"], None, {"Accept": "application/json"}).close()
        except (BadAnswerError, NoAnswerError, CannotSendError):
            self.told("the server keeps the export a little longer")


def _no_manifest(document: Any) -> str:
    """What keeps an answer from being the list of an export's files; "" for nothing.

    Without the list itself a failure that is answered as a success would be an export of nothing.
    """
    if not isinstance(document, dict) or document.get("resourceType") == "OperationOutcome":
        said = "; ".join(issue_texts(document)) if isinstance(document, dict) else ""
        return f"200 without a list of files{f', {said}' if said else ''}"
    if not isinstance(document.get("output"), list):
        return "output is no list"
    for name in ("output", "error", "deleted"):
        files = document.get(name)
        if not isinstance(files, list | None):
            return f"{name} is no list"
        for number, one in enumerate(files or ()):
            if not isinstance(one, dict) or not isinstance(one.get("url"), str):
                return f"{name}[{number}] names no file"
    return ""


class _IncompleteError(Exception):
    """A file that did not come whole; it is fetched again."""


def _lines(response: requests.Response, name: str) -> Iterator[bytes]:
    """The lines of an answer as it comes. Raises _IncompleteError for a line that is no resource."""
    rest = b""
    try:
        for chunk in response.iter_content(CHUNK):
            *whole, rest = (rest + chunk).split(b"\n")
            yield from (_checked(line, name) for line in whole if line.strip())
    except requests.exceptions.RequestException as error:
        raise broken(error, name) from None
    if rest.strip():
        yield _checked(rest, name)


def _checked(line: bytes, name: str) -> bytes:
    try:
        document = orjson.loads(line)
    except ValueError:
        raise _IncompleteError("a line is no whole JSON document") from None
    if not isinstance(document, dict) or not isinstance(document.get("resourceType"), str):
        raise _IncompleteError("a line is no FHIR resource")
    if name.endswith(".ndjson") and document["resourceType"] != name.rpartition("-")[0]:
        raise _IncompleteError(f"a line holds a {document['resourceType'][:40]}")
    return line.rstrip(b"\r")


def _lines_of(file: Path) -> Iterator[bytes]:
    with file.open("rb") as stream:
        yield from (line for line in stream if line.strip())


def _private(path: Path) -> Any:
    """A new file that only its owner reads."""
    path.unlink(missing_ok=True)
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")


def _issues(outcome: Mapping[str, Any]) -> list[Finding]:
    made = []
    for issue in issues_of(outcome):
        grave = issue.get("severity") in GRAVE
        details = f"the server says: {words_of([issue])[0][:300] or 'no reason'}"
        made.append(finding("WKX122", details, severity="error" if grave else "warning"))
    return made
