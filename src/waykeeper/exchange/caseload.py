"""Push the plans of many patients: a few at a time, never two of one patient, each outcome kept at once."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from threading import local
from typing import Any, Literal

from waykeeper.exchange.errors import BadAnswerError, CannotSendError, NoAnswerError
from waykeeper.exchange.files import ends_in, files_of, is_ndjson, read_bytes, readable, write_whole
from waykeeper.exchange.ledger import Ledger
from waykeeper.exchange.pushing import PlanRefusedError, push
from waykeeper.exchange.server import Server
from waykeeper.fhir import episode_of
from waykeeper.findings import Finding, Position, WaykeeperError, finding

MOST_SILENT = 3  # plans in a row without an answer: then the server is down and the rest waits
WORDS: Mapping[str, str] = {
    "sent": "written, read back and proven",
    "unchanged": "nothing to send",
    "refused": "stopped by a guard, nothing was sent",
    "failed": "refused by the server, or not as it should be when read back",
    "unknown": "sent, and no answer came",
    "unreadable": "no bundle of one plan",
}
Word = Literal["sent", "unchanged", "refused", "failed", "unknown", "unreadable"]
DENIED = (401, 403)


@dataclass(frozen=True, slots=True)
class Parcel:
    """One bundle of a plan and where it lies.

    line      of an NDJSON file, 0 for a file of its own
    start     byte at which the line begins
    patient   a digest of the patient's identifier: what may not be pushed twice at once; "" where it was not readable
    name      the plan's own id, which names no patient
    wrong     what keeps it from being pushed
    """

    file: str
    line: int
    start: int
    digest: str
    patient: str = ""
    name: str = ""
    wrong: Finding | None = None

    @property
    def place(self) -> str:
        """`file` or `file:line`."""
        return f"{self.file}:{self.line}" if self.line else self.file


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one plan. Counts only: a caseload's decisions would not fit in memory."""

    place: str
    name: str
    word: Word
    counts: Mapping[str, int] = field(default_factory=dict)
    waiting: int = 0
    findings: tuple[Finding, ...] = ()
    answer: Mapping[str, Any] = field(default_factory=dict)

    def json(self) -> dict[str, Any]:
        """With stable names."""
        return {
            "plan": self.name,
            "place": self.place,
            "outcome": self.word,
            "decisions": dict(self.counts),
            "waiting": self.waiting,
            "findings": [
                {"code": f.code, "severity": f.severity, "details": f.details, "help": f.help} for f in self.findings
            ],
        }


@dataclass(frozen=True, slots=True)
class CaseloadReport:
    """A push of many: how many plans came to which word.

    before    done by an earlier run of the ledger
    waiting   plans with something that waits for a person
    left      not taken up, because it was stopped
    """

    server: str
    counts: Mapping[str, int]
    before: int = 0
    waiting: int = 0
    left: int = 0
    stopped: tuple[Finding, ...] = ()
    dry_run: bool = False
    changed: int = 0

    @property
    def total(self) -> int:
        """Every plan that was given."""
        return sum(self.counts.values()) + self.before + self.left

    @property
    def exit_code(self) -> int:
        """3 where no answer came, else 1 where one was not pushed, 2 where it had to stop before anything; else 0."""
        if self.counts.get("unknown"):
            return 3
        if any(self.counts.get(w) for w in ("refused", "failed", "unreadable")):
            return 1
        return 2 if self.stopped or self.left else 0


def parcels(paths: Sequence[str]) -> Iterator[Parcel]:
    """Every bundle of files, NDJSON files and folders, looked at and let go: memory does not grow with their size."""
    for path in paths:
        for file in files_of(path):
            if ends_in(file, ".ndjson"):
                yield from _lines(file)
            else:
                for line, data in _documents(file):
                    yield _parcel(file, line, 0, data)


def _lines(file: str) -> Iterator[Parcel]:
    start = 0
    with readable(file), Path(file).open("rb") as stream:
        for number, data in enumerate(stream, 1):
            if data.strip():
                yield _parcel(file, number, start, data)
            start += len(data)


def _documents(file: str) -> Iterator[tuple[int, bytes]]:
    data = read_bytes(file)
    if not is_ndjson(file):
        yield 0, data
        return
    for number, line in enumerate(data.splitlines(), 1):
        if line.strip():
            yield number, line


def _parcel(file: str, line: int, start: int, data: bytes) -> Parcel:
    digest = hashlib.sha256(data.strip()).hexdigest()
    try:
        document = _json(data, file, line)
        roots = _roots(document)
    except WaykeeperError as error:
        return Parcel(file, line, start, digest, wrong=error.findings[0])
    if len(roots) != 1:
        found = f"{len(roots)} plans of Waykeeper, one is needed" if roots else "no plan of Waykeeper"
        wrong = finding("WKC210", found, Position(file, line), "Give the Bundles that compile wrote.")
        return Parcel(file, line, start, digest, wrong=wrong)
    episode = episode_of(roots[0])
    assert episode is not None  # _roots holds only those
    return Parcel(file, line, start, digest, _secret(str(episode.patient)), str(roots[0].get("id") or digest[:32]))


def _json(data: bytes, file: str, line: int) -> Any:
    try:
        return json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError):  # UnicodeDecodeError and JSONDecodeError are ValueErrors
        raise WaykeeperError(finding("WKC102", "not JSON in UTF-8", Position(file, line))) from None


def _roots(document: Any) -> list[dict[str, Any]]:
    """The root of each plan in a Bundle; [] where it is none."""
    entries = document.get("entry") if isinstance(document, dict) and document.get("resourceType") == "Bundle" else None
    held = [e.get("resource") for e in entries if isinstance(e, dict)] if isinstance(entries, list) else []
    plans = [r for r in held if isinstance(r, dict) and r.get("resourceType") == "CarePlan"]
    with suppress(AttributeError, KeyError, TypeError, ValueError, IndexError):
        return [r for r in plans if episode_of(r)]
    return []


def _secret(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def load(parcel: Parcel) -> dict[str, Any]:
    """The bundle of a parcel, read again. Raises WaykeeperError where it has changed since it was looked at."""
    if parcel.line and not ends_in(parcel.file, ".gz"):
        with Path(parcel.file).open("rb") as stream:
            stream.seek(parcel.start)
            data = stream.readline()
    else:
        found = dict(_documents(parcel.file))
        data = found.get(parcel.line, b"")
    if hashlib.sha256(data.strip()).hexdigest() != parcel.digest:
        where = Position(parcel.file, parcel.line)
        raise WaykeeperError(finding("WKX502", "the file changed while it was being pushed", where))
    return dict(_json(data, parcel.file, parcel.line))


class Caseload:
    """One push of many plans; lives no longer than that.

    connect    makes a session with the server; one for each of the `jobs` that work at the same time
    reported   gets each outcome as soon as it is known, from one thread
    """

    def __init__(
        self,
        connect: Callable[[], Server],
        base: str,
        *,
        jobs: int,
        dry_run: bool = False,
        ledger: Ledger | None = None,
        errors_to: str = "",
        reported: Callable[[Outcome], None] = lambda _: None,
        now: Callable[[], datetime] | None = None,
    ) -> None:
        """Nothing is sent yet."""
        self._connect, self._base, self._jobs, self._dry_run = connect, base, jobs, dry_run
        self._ledger, self._reported = ledger, reported
        self._errors = Errors(errors_to) if errors_to else None
        self._now = now or (lambda: datetime.now(UTC))
        self._mine = local()
        self._silent = 0
        self.stopped: tuple[Finding, ...] = ()
        self.counts: Counter[str] = Counter()
        self.waiting = self.changed = 0

    def push(self, given: Iterable[Parcel]) -> CaseloadReport:
        """Push them all. Ctrl-C ends it after those that are under way; what they became is kept."""
        every = list(dict.fromkeys(given))
        done = self._ledger.done() if self._ledger else frozenset()
        queues: dict[str, list[Parcel]] = {}
        for one in every:
            if one.digest not in done:
                queues.setdefault(one.patient or one.place, []).append(one)
        before = sum(1 for one in every if one.digest in done)
        try:
            self._work(list(queues.values()))
        finally:
            if self._ledger and not self._dry_run:
                self._ledger.end(self._stamp(), (one.digest for one in every))
        left = len(every) - before - sum(self.counts.values())
        return CaseloadReport(
            self._base, dict(self.counts), before, self.waiting, left, self.stopped, self._dry_run, self.changed
        )

    def _work(self, queues: list[list[Parcel]]) -> None:
        """A queue holds the plans of one patient, pushed one after the other."""
        running: dict[Future[Outcome], tuple[list[Parcel], Parcel]] = {}
        with ThreadPoolExecutor(self._jobs, "push") as pool:
            try:
                while queues or running:
                    while queues and len(running) < self._jobs and not self.stopped:
                        queue = queues.pop(0)
                        running[pool.submit(self._one, queue[0])] = (queue[1:], queue[0])
                    if not running:
                        return
                    for future in wait(running, return_when=FIRST_COMPLETED).done:
                        rest, parcel = running.pop(future)
                        self._keep(parcel, future.result())
                        if rest:
                            queues.insert(0, rest)
            finally:  # interrupted, or a bug: those that are under way are waited for and kept
                for future, (_, parcel) in running.items():
                    with suppress(WaykeeperError):
                        self._keep(parcel, future.result())

    def _one(self, parcel: Parcel) -> Outcome:
        """Push one plan in a thread. Every failure is an outcome."""
        if parcel.wrong is not None:
            return Outcome(parcel.place, parcel.name, "unreadable", findings=(parcel.wrong,))
        try:
            report = push(load(parcel), self._server(), dry_run=self._dry_run, now=self._now())
        except PlanRefusedError as refused:
            return _failed(parcel, "refused", refused)
        except NoAnswerError as silent:
            return _failed(parcel, "unknown", silent)
        except BadAnswerError as refused:
            answer = refused.outcome or {
                "resourceType": "OperationOutcome",
                "issue": [_issue(f) for f in refused.findings],
            }
            if refused.status in DENIED:
                self.stopped = refused.findings
            return _failed(parcel, "failed", refused, answer)
        except CannotSendError as error:
            self.stopped = error.findings
            return _failed(parcel, "refused", error)
        except WaykeeperError as error:
            return _failed(parcel, "unreadable", error)
        except (AttributeError, IndexError, KeyError, TypeError, ValueError) as error:
            said = finding("WKX503", f"the bundle cannot be read as a plan: {type(error).__name__}", _where(parcel))
            return Outcome(parcel.place, parcel.name, "unreadable", findings=(said,))
        wrong = any(f.severity == "error" for f in report.findings)
        word: Word = "failed" if wrong else "sent" if report.sent or (self._dry_run and report.changes) else "unchanged"
        counts: Counter[str] = Counter(d.word for d in report.decisions)
        return Outcome(parcel.place, parcel.name, word, dict(counts), len(report.conflicts), report.findings)

    def _server(self) -> Server:
        """The session of this thread."""
        if not hasattr(self._mine, "server"):
            self._mine.server = self._connect()
        found: Server = self._mine.server
        return found

    def _keep(self, parcel: Parcel, outcome: Outcome) -> None:
        self.counts[outcome.word] += 1
        self.waiting += bool(outcome.waiting)
        self.changed += outcome.word == "sent"
        self._silent = self._silent + 1 if outcome.word == "unknown" else 0
        if self._silent >= MOST_SILENT and not self.stopped:
            said = f"{MOST_SILENT} plans in a row without an answer: the rest was not sent"
            self.stopped = (finding("WKX504", said),)
        if self._ledger and not self._dry_run:
            detail = ", ".join(f.code for f in outcome.findings)
            self._ledger.record(parcel.digest, parcel.place, outcome.word, detail, self._stamp())
        if self._errors:
            self._errors.keep(parcel, outcome)
        self._reported(outcome)

    def _stamp(self) -> str:
        return self._now().isoformat(timespec="seconds")


def _where(parcel: Parcel) -> Position:
    return Position(parcel.file, parcel.line)


def _failed(parcel: Parcel, word: Word, error: WaykeeperError, answer: Mapping[str, Any] | None = None) -> Outcome:
    said = answer or {"resourceType": "OperationOutcome", "issue": [_issue(f) for f in error.findings]}
    return Outcome(parcel.place, parcel.name, word, findings=error.findings, answer=said)


def _issue(one: Finding) -> dict[str, Any]:
    return {"severity": "error", "code": "processing", "diagnostics": f"{one.code}: {one.sentence()}"}


class Errors:
    """A folder for its owner only: the bundles to send again, and beside them what was answered.

    `push DIR/bundles` sends them again; a plan that went through is taken out.
    """

    def __init__(self, folder: str) -> None:
        """Make the folder. Raises WaykeeperError WKC104."""
        self._bundles, self._outcomes = Path(folder) / "bundles", Path(folder) / "outcomes"
        try:
            for one in (Path(folder), self._bundles, self._outcomes):
                one.mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            said = (error.strerror or str(error)).lower()
            raise WaykeeperError(finding("WKC104", f"cannot write: {said}", Position(folder))) from None

    def keep(self, parcel: Parcel, outcome: Outcome) -> None:
        """Write or take out one plan."""
        name = f"{parcel.name or parcel.digest[:32]}.json"
        bundle, answer = self._bundles / name, self._outcomes / name
        if outcome.word in ("sent", "unchanged"):
            if not bundle.exists() or bundle.resolve() != Path(parcel.file).resolve():
                bundle.unlink(missing_ok=True)
            answer.unlink(missing_ok=True)
            return
        with suppress(WaykeeperError):  # what cannot be read cannot be kept; its outcome says so
            write_whole(str(bundle), json.dumps(load(parcel), ensure_ascii=False, indent=1))
        write_whole(str(answer), json.dumps(outcome.answer or _outcome(outcome), ensure_ascii=False, indent=1))


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {"resourceType": "OperationOutcome", "issue": [_issue(f) for f in outcome.findings]}
