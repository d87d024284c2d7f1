"""Files -> what the validator found in each of their resources."""

from __future__ import annotations

import gzip
import json
import sys
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from waykeeper.exchange import files
from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.validate import Checked, Profiles, check_json, load_profiles, own_definitions, validate_ndjson
from waykeeper.verbs.processes import processes, result_of
from waykeeper.verbs.words import PathText, as_text

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

STDIN = "(standard input)"
CHUNK = 2 * files.MEBIBYTE  # of NDJSON, in bytes: what one process is given at a time
Lines = tuple[int, list[bytes]]  # the number of the first line, and the lines


@dataclass(frozen=True, slots=True)
class Validated:
    """One `Checked` a resource, in the order of files and lines."""

    checked: tuple[Checked, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every finding of every resource."""
        return tuple(f for one in self.checked for f in one.findings)

    @property
    def resources(self) -> int:
        """How many resources were looked at; a Bundle counts as one."""
        return len(self.checked)


def validate_files(
    *paths: PathText, profiles: Sequence[PathText] = (), stricter: bool = True, jobs: int = 1
) -> Validated:
    """Validate files, NDJSON files, `.gz`, folders or standard input (`-`) as FHIR R4.

    Every file is looked at, whatever is found in the first. `profiles` are files or folders of StructureDefinitions
    with what they bind to. `jobs` processes share a large NDJSON file (the command takes one for each processor).
    Raises WaykeeperError WKC101 where a file cannot be read, WKV801 and WKV802 for profiles.
    """
    given, known = map(as_text, paths), [as_text(one) for one in profiles]
    return Validated(tuple(each_validated(*given, profiles=known, stricter=stricter, jobs=jobs)))


def each_validated(
    *paths: str, profiles: Sequence[str] = (), stricter: bool = True, jobs: int = 1
) -> Iterator[Checked]:
    """As `validate_files`, one at a time: of NDJSON, a few chunks of lines are held in memory and never the file."""
    definitions = _definitions(profiles)
    found = [file for path in paths for file in files.files_of(path)]
    for file in found:
        if file != "-":
            with files.readable(file), Path(file).open("rb"):
                pass  # what cannot be read is said before anything is printed
    with _Crew(definitions, stricter, jobs) as crew:
        for file in found:
            yield from _of_file(file, crew)


def _of_file(file: str, crew: _Crew) -> Iterator[Checked]:
    if file == "-":
        yield from _of_stdin(crew)
    elif not files.is_ndjson(file):
        yield crew.document(files.read_bytes(file), file)
    else:
        with gzip.open(file, "rb") if files.ends_in(file, ".gz") else Path(file).open("rb") as stream:
            yield from crew.lines(_chunks(_lines(stream, file)), file)


def _of_stdin(crew: _Crew) -> Iterator[Checked]:
    """One resource, or NDJSON: the first line alone is a whole JSON value, and more follows. Unpacked if packed."""
    raw = sys.stdin.buffer
    packed = hasattr(raw, "peek") and raw.peek(2)[:2] == b"\x1f\x8b"
    with _unpacked(raw, packed) as stream:
        lines = _lines(stream, STDIN)
        head = list(_first_two(lines))
        filled = [line for line in head if line.strip()]
        if len(filled) > 1 and _is_whole(filled[0]):
            yield from crew.lines(_chunks(chain(head, lines)), STDIN)
            return
        data = b"".join(chain(head, lines))
    if len(data) > files.LARGEST:
        raise files.too_large(STDIN)
    yield crew.document(data, STDIN)


def _unpacked(raw: IO[bytes], packed: bool) -> AbstractContextManager[Any]:
    return gzip.open(raw) if packed else _left_open(raw)


@contextmanager
def _left_open(stream: IO[bytes]) -> Iterator[IO[bytes]]:
    yield stream


def _first_two(lines: Iterator[bytes]) -> Iterator[bytes]:
    """The lines up to the second that is not blank."""
    filled = 0
    for line in lines:
        yield line
        filled += bool(line.strip())
        if filled == 2:
            return


def _is_whole(line: bytes) -> bool:
    try:
        return isinstance(json.loads(line), dict)
    except (ValueError, RecursionError):
        return False


def _lines(stream: IO[bytes] | gzip.GzipFile, file: str) -> Iterator[bytes]:
    """The lines of a stream with their ends. Raises WaykeeperError WKC101 for one that no memory should hold."""
    with files.readable(file):
        while line := stream.readline(files.LARGEST + 1):
            if len(line) > files.LARGEST:
                raise files.too_large(file)
            yield line


def _chunks(lines: Iterable[bytes]) -> Iterator[Lines]:
    number, size, held = 1, 0, []
    for line in lines:
        held.append(line.rstrip(b"\r\n"))
        size += len(line)
        if size >= CHUNK:
            yield number, held
            number, size, held = number + len(held), 0, []
    if held:
        yield number, held


@dataclass
class _Crew:
    """Who validates: this process, and for NDJSON of more than one chunk as many others as there are jobs."""

    definitions: list[Any]
    stricter: bool
    jobs: int
    profiles: Sequence[Profiles] = ()
    _pool: ProcessPoolExecutor | None = None
    _ends: ExitStack = field(default_factory=ExitStack)
    _waiting: deque[Future[list[Checked]]] = field(default_factory=deque)

    def __enter__(self) -> _Crew:
        self.profiles = _loaded(self.definitions)
        return self

    def __exit__(self, *error: Any) -> None:
        self._ends.__exit__(*error)

    def document(self, data: bytes, file: str) -> Checked:
        """One resource."""
        return check_json(data, self.profiles, file=file, stricter=self.stricter)

    def lines(self, chunks: Iterator[Lines], file: str) -> Iterator[Checked]:
        """The resources of chunks of NDJSON, in their order."""
        first = next(chunks, None)
        second = next(chunks, None)
        rest = chain((one for one in (first, second) if one is not None), chunks)
        if second is None or self.jobs < 2:
            for number, lines in rest:
                yield from _checked(lines, number, file, self.profiles, self.stricter)
            return
        for number, lines in rest:
            self._waiting.append(self._started().submit(_work, lines, number, file))
            if len(self._waiting) > 2 * self.jobs:
                yield from result_of(self._waiting.popleft())
        while self._waiting:
            yield from result_of(self._waiting.popleft())

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = self._ends.enter_context(processes(self.jobs, _prepare, self.definitions, self.stricter))
        return self._pool


def _checked(
    lines: Sequence[bytes], number: int, file: str, profiles: Sequence[Profiles], stricter: bool
) -> Iterator[Checked]:
    return validate_ndjson(lines, profiles, file=file, stricter=stricter, line=number)


_given: list[tuple[Sequence[Profiles], bool]] = []  # of a process that works for another: what it was started with


def _prepare(definitions: list[Any], stricter: bool) -> None:
    _given[:] = [(_loaded(definitions), stricter)]


def _work(lines: list[bytes], number: int, file: str) -> list[Checked]:
    ((profiles, stricter),) = _given
    return list(_checked(lines, number, file, profiles, stricter))


def _loaded(definitions: list[Any]) -> tuple[Profiles, ...]:
    return (own_definitions(), load_profiles(definitions, always=True))


def _definitions(paths: Sequence[str]) -> list[Any]:
    found = [
        (place, part)
        for path in paths
        for place, document in files.documents(path)
        if not _is_manifest(place)
        for part in _parts(document)
    ]
    for place, part in found:
        if not isinstance(part, dict) or "resourceType" not in part:
            remedy = "Give StructureDefinitions: a file, a Bundle or a folder of them."
            raise WaykeeperError(
                finding("WKV802", "this is no FHIR definition: no resourceType", Position(place), remedy)
            )
    return [part for _, part in found]


def _is_manifest(place: str) -> bool:
    """Whether a file of a package says what the package is, and is no definition."""
    name = Path(place).name
    return name == "package.json" or name.startswith(".")


def _parts(document: Any) -> Iterator[Any]:
    """The definitions of a Bundle, or the one that it is."""
    if isinstance(document, dict) and document.get("resourceType") == "Bundle":
        yield from (entry.get("resource") for entry in document.get("entry") or [] if isinstance(entry, dict))
    else:
        yield document


def baseline_of(path: str) -> dict[str, int]:
    """A file that `validate --write-baseline` wrote. Raises WaykeeperError WKC101, WKC102, WKC103."""
    known = files.read_json(path)
    if not isinstance(known, dict) or not all(type(n) is int and n > 0 for n in known.values()):
        help_text = "Make one with --write-baseline."
        raise WaykeeperError(finding("WKC103", "this is no baseline of validate", Position(path), help_text))
    return known
