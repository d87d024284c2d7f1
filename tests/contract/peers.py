"""The peers of the contract tests: the sandbox, two FHIR servers of others, and the official validator."""

from __future__ import annotations

import hashlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from waykeeper.sandbox import running

HOME = Path(__file__).parent / "server"
SECOND = Path(__file__).parent / "second_server"
REQUIRED = os.environ.get("WAYKEEPER_REQUIRE_REAL_SERVER") == "1"
GIVEN = os.environ.get("WAYKEEPER_REAL_SERVER", "")


@dataclass(frozen=True)
class Peer:
    """A running FHIR server: which one it is, and its base url."""

    name: Literal["sandbox", "real", "second"]
    base: str


@dataclass(frozen=True)
class Verdict:
    """What the official validator says of one resource; `valid` is None where it broke and gave no verdict."""

    valid: bool | None
    issues: list[dict[str, str]] = field(default_factory=list)
    exception: str = ""

    def texts(self, *severities: str) -> list[str]:
        """The issues of these severities (all where none is named) as `where: text`."""
        kept = [i for i in self.issues if not severities or i["severity"] in severities]
        return [f"{i['where']}: {i['text']}" for i in kept]


def missing() -> str:
    """Why the Java peers cannot be started, or "" where they can."""
    built = HOME / "target/classes/FhirTestServer.class", HOME / "lib"
    return _why_not("the real server", "Java 17 and Maven", ("java", "mvn"), built, HOME)


def missing_second() -> str:
    """Why the second server cannot be started, or "" where it can."""
    built = (SECOND / "node_modules",)
    return _why_not("the second server", "Node 18 or later", ("node", "npm"), built, SECOND)


def _why_not(name: str, needs: str, programs: Sequence[str], built: Sequence[Path], home: Path) -> str:
    if GIVEN == "off":
        return f"{name} is switched off (WAYKEEPER_REAL_SERVER=off)"
    for program in programs:
        if shutil.which(program) is None:
            return f"{name} needs {needs}: {program} is not installed"
    if not all(place.exists() for place in built):
        return f"{name} is not built: run tests/contract/{home.name}/build.sh"
    return ""


# Without Java's second compiler: half the processor time of a start.
LIGHT = ("-XX:TieredStopAtLevel=1", "-XX:+UseSerialGC")


def _java(
    memory: str, flags: Sequence[str], main: str, options: dict[str, str], *rest: str, first: str = ""
) -> list[str]:
    settings = {"org.slf4j.simpleLogger.defaultLogLevel": "error", **options}
    given = [memory, *flags, *(f"-D{name}={value}" for name, value in settings.items())]
    return ["java", *given, "-cp", f"{first}{HOME}/target/classes:{HOME}/lib/*", main, *rest]


@contextmanager
def _process(command: Sequence[str]) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    """A child that ends when its standard input closes; its log is a file, named in failures."""
    with tempfile.NamedTemporaryFile(prefix="peer-", suffix=".log") as log:
        child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log)
        try:
            yield child, Path(log.name)
        finally:
            child.stdin.close()
            try:
                child.wait(15)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
            child.stdout.close()


def _base_of(child: subprocess.Popen[bytes], log: Path, seconds: float = 300) -> str:
    """The base url that a server prints behind READY. Raises RuntimeError with the end of its log."""
    ready, _, _ = select.select([child.stdout], [], [], seconds)
    line = child.stdout.readline().decode() if ready else ""
    word, _, base = line.strip().partition(" ")
    if word != "READY":
        raise RuntimeError(f"the server said {line!r} within {seconds} s: {log.read_text()[-2000:]}")
    return base


@contextmanager
def real_server(**options: str) -> Iterator[Peer]:
    """The real server on a free port, or the one that WAYKEEPER_REAL_SERVER names where no option is wanted."""
    if GIVEN.startswith("http") and not options:
        yield Peer("real", GIVEN)
        return
    # What it does is too varied for the second compiler to be worth its time, in seconds of processor time with it and
    # without: a start 43 and 24, a plan of 260 resources written as the tenth 11 and 6.
    command = _java("-Xmx2g", LIGHT, "FhirTestServer", {"port": "0", "stopWithStdin": "true", **options})
    with _process(command) as (child, log):
        yield Peer("real", _base_of(child, log))


@contextmanager
def second_server() -> Iterator[Peer]:
    """A server that has nothing in common with the other two, empty, on a free port."""
    with _process(["node", str(SECOND / "serve.mjs")]) as (child, log):
        yield Peer("second", _base_of(child, log))


@contextmanager
def sandbox_server() -> Iterator[Peer]:
    """The sandbox, empty, on a free port."""
    with running() as base:
        yield Peer("sandbox", base)


AHEAD = 32  # resources that the judge may hold unanswered: enough to keep its threads at work


class Judge:
    """The official validator as a long-lived process: a line in, a verdict out."""

    def __init__(self, child: subprocess.Popen[bytes], log: Path) -> None:
        """Talk to a started process."""
        self._child, self._log = child, log
        self._answers = child.stdout.fileno()
        self._rest = b""
        self._given: dict[bytes, Verdict] = {}  # by digest of the text: two tests ask about the same large bundles

    def verdicts(self, resources: Sequence[Any], seconds: float = 300) -> list[Verdict]:
        """One verdict for each resource (dict, or JSON text without line breaks), in order."""
        texts = [one if isinstance(one, str) else json.dumps(one) for one in resources]
        lines = [text.replace("\n", " ").replace("\r", " ").encode() + b"\n" for text in texts]
        names = [hashlib.sha256(line).digest() for line in lines]
        new = {name: line for name, line in zip(names, lines, strict=True) if name not in self._given}
        found: list[Verdict] = []
        for asked, line in enumerate(new.values(), 1):
            self._child.stdin.write(line)
            self._child.stdin.flush()
            if asked - len(found) >= AHEAD:
                found.append(self._answer(seconds))
        while len(found) < len(new):
            found.append(self._answer(seconds))
        self._given.update(zip(new, found, strict=True))
        return [self._given[name] for name in names]

    def _answer(self, seconds: float) -> Verdict:
        """The next answer, read past Python's buffer, which would hide from `select` what it holds."""
        while b"\n" not in self._rest:
            ready, _, _ = select.select([self._answers], [], [], seconds)
            more = os.read(self._answers, 1 << 16) if ready else b""
            if not more:
                raise RuntimeError(f"the judge did not answer within {seconds} s: {self._log.read_text()[-2000:]}")
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        answer = json.loads(line)
        return Verdict(answer["valid"], answer.get("issues", []), answer.get("exception", ""))


@contextmanager
def judge_with(profiles: Sequence[Path] = (), *, strict: bool = False) -> Iterator[Judge]:
    """The official validator, given StructureDefinitions, ValueSets and CodeSystems (folders or files).

    It reads its registry of OIDs (1.5 MB) anew for every resource, nine tenths of its time on a small one; the empty
    registry of `server/judge` spares that. Measured on 3,000 mutants: the same verdicts, the same issues.
    """
    options = {"threads": "2"} | ({"strict": "true"} if strict else {})
    if profiles:
        options["profiles"] = ",".join(str(path) for path in profiles)
    # In CI it does one thing for minutes: from the third on, a plan takes 7 seconds of processor time with the second
    # compiler and 15 without.
    flags = () if REQUIRED else LIGHT
    with _process(_java("-Xmx3g", flags, "FhirJudge", options, "-", first=f"{HOME}/judge:")) as (child, log):
        yield Judge(child, log)


def wait_until(test: Any, seconds: float = 10) -> None:
    """Poll until a test is true. Raises TimeoutError, so that a wait never passes silently."""
    end = time.monotonic() + seconds
    while not test():
        if time.monotonic() > end:
            raise TimeoutError("it did not come true in time")
        time.sleep(0.05)
