"""A bulk export split by patient, so that each part fits in memory whatever the size of the whole."""

from __future__ import annotations

import gzip
import re
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, BinaryIO

import orjson

from waykeeper.exchange.files import Held, readable
from waykeeper.findings import Position, WaykeeperError, finding

ENDINGS = (".ndjson", ".ndjson.gz")
_SUBJECTS = ("subject", "patient", "for", "beneficiary")
# Types of which R4 knows one place for the patient, at the top (or as a participant), so that a line need not be parsed
# to know whose it is: `_SIMPLE` names type and all that `_named_plainly` asks.
_SIMPLE = re.compile(
    rb'\{"resourceType":"(?:CarePlan|ServiceRequest|Appointment|Encounter|Task|MedicationRequest|MedicationStatement'
    rb'|CommunicationRequest|Communication|Goal|Flag|DetectedIssue|Procedure|Observation|Condition)"'
)
_ABOUT = tuple(b'"%b":{"reference":' % name for name in (b"subject", b"patient", b"for", b"actor"))
_NAME = re.compile(rb'"(Patient/[A-Za-z0-9.-]+)"')
_A_PATIENT = re.compile(rb'"resourceType"\s*:\s*"Patient"')


@dataclass(frozen=True, slots=True)
class Parts:
    """The files of a partition: each holds whole patients. `lines` and `bytes` are those that were read."""

    files: tuple[Path, ...]
    lines: int
    bytes: int


def bulk_files(path: str) -> list[Path]:
    """The files of a folder that holds NDJSON and nothing else that is read; else an empty list."""
    folder = Path(path)
    if not folder.is_dir():
        return []
    found = sorted(p for p in folder.rglob("*") if p.is_file() and p.name.endswith((*ENDINGS, ".json", ".json.gz")))
    return found if all(p.name.endswith(ENDINGS) for p in found) else []


def partition(files: Iterable[Path], into: Path, count: int) -> Parts:
    """Write every line into one of `count` files by its patient, in the order in which it was read.

    A patient is named by reference, or by an identifier that a Patient of the export carries. What names no patient
    goes into the first file. Memory: one line; a name for each identifier where somebody is named by identifier only.
    A line that says plainly whose it is is not parsed here. Raises WaykeeperError WKC101 to WKC103.
    """
    files = list(files)
    known = _Known(files)
    made = [into / f"{number:04}.ndjson" for number in range(count)]
    lines = size = 0
    with ExitStack() as open_files:
        out: list[BinaryIO] = [open_files.enter_context(one.open("wb")) for one in made]
        for file in files:
            for number, line in _lines(file):
                who = _named_plainly(line) or _named(_resource(file, number, line), known).encode()
                out[zlib.crc32(who) % count if who else 0].write(_ended(line))
                lines, size = lines + 1, size + len(line)
    return Parts(tuple(made), lines, size)


def _ended(line: bytes) -> bytes:
    return line if line.endswith(b"}\n") else line.rstrip(b"\r\n") + b"\n"


class UnreadableError(Exception):
    """A line of a part is no JSON: `check` says which line of which file that was."""


def resources(part: Path) -> list[Held]:
    """The resources of one part, each with the reference that names it. Raises UnreadableError."""
    try:
        read = [orjson.loads(line) for _, line in _lines(part)]
    except orjson.JSONDecodeError:
        raise UnreadableError from None
    return [(f"{r['resourceType']}/{r.get('id') or f'#{number}'}", r) for number, r in enumerate(read, 1)]


def check(files: Iterable[Path]) -> None:
    """Parse every line, so that the first that cannot be read is named. Raises WaykeeperError WKC101 to WKC103."""
    for file in files:
        for number, line in _lines(file):
            _resource(file, number, line)


def patient_of(resource: Mapping[str, Any], known: Mapping[str, str]) -> str:
    """`Patient/ID` of whom a resource is about, "" where it names nobody."""
    if resource.get("resourceType") == "Patient":
        return f"Patient/{resource.get('id', '')}"
    named = [resource[name] for name in _SUBJECTS if isinstance(resource.get(name), Mapping)]
    named += [p["actor"] for p in resource.get("participant") or [] if isinstance(p.get("actor"), Mapping)]
    for one in named:
        reference = str(one.get("reference") or "").split("/_history/")[0]
        if reference.rpartition("/")[0].endswith("Patient"):
            return "/".join(reference.split("/")[-2:])
    for one in named:
        identifier = one.get("identifier") or {}
        found = known.get(f"{identifier.get('system') or ''}|{identifier.get('value') or ''}")
        if found:
            return found
    return ""


def _named_plainly(line: bytes) -> bytes:
    """What `patient_of` would say of a line of ours or of a server's export, without parsing it; b"" for not known.

    Known only where the line names one patient and no other, in the place where its type has the patient.
    """
    first = line.find(b"Patient/") - 1
    told = _NAME.match(line, first) if first > 0 and line.endswith(_ABOUT, 0, first) else None
    if told is None or not _SIMPLE.match(line) or b'"contained"' in line:
        return b""
    rest = told.end()
    while (found := line.find(b"Patient/", rest)) >= 0:
        if line[found - 1 : found - 1 + len(told[0])] != told[0]:
            return b""
        rest = found + len(told[1])
    return told[1]


def _named(resource: Mapping[str, Any], known: _Known) -> str:
    return patient_of(resource, {}) or patient_of(resource, known.names)


class _Known:
    """The names of the export's patients by identifier, read once somebody is named by identifier only."""

    def __init__(self, files: Iterable[Path]) -> None:
        self._files = files

    @cached_property
    def names(self) -> dict[str, str]:
        """system|value -> Patient/ID."""
        return _identifiers(self._files)


def _identifiers(files: Iterable[Path]) -> dict[str, str]:
    """system|value -> Patient/ID of every Patient. Lines of other types are not parsed."""
    known: dict[str, str] = {}
    for file in files:
        for number, line in _lines(file):
            if not _A_PATIENT.search(line):
                continue
            resource = _resource(file, number, line)
            if resource["resourceType"] == "Patient":
                for one in resource.get("identifier") or []:
                    known[f"{one.get('system') or ''}|{one.get('value') or ''}"] = f"Patient/{resource.get('id', '')}"
    return known


def _lines(file: Path) -> Iterator[tuple[int, bytes]]:
    packed = file.name.endswith(".gz")
    with readable(str(file)), file.open("rb") as raw, gzip.open(raw) if packed else raw as stream:
        for number, line in enumerate(stream, 1):
            if line.strip():
                yield number, line


def _resource(file: Path, number: int, line: bytes) -> dict[str, Any]:
    place = Position(str(file), number)
    try:
        found = orjson.loads(line.removeprefix(b"\xef\xbb\xbf"))
    except orjson.JSONDecodeError as error:
        raise WaykeeperError(finding("WKC102", f"not JSON: {str(error).partition(':')[0]}", place)) from None
    if not isinstance(found, dict) or not isinstance(found.get("resourceType"), str):
        raise WaykeeperError(finding("WKC103", "no FHIR resource: resourceType is missing", place))
    return found
