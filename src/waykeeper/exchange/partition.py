"""A bulk export split by patient, so that each part fits in memory whatever the size of the whole."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import orjson

from waykeeper.exchange.files import Held, readable
from waykeeper.findings import Position, WaykeeperError, finding

ENDINGS = (".ndjson", ".ndjson.gz")
_SUBJECTS = ("subject", "patient", "for", "beneficiary")


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
    goes into the first file. Memory: one line, and a name for each identifier. Raises WaykeeperError WKC101 to WKC103.
    """
    files = list(files)
    known = _identifiers(files)
    made = [into / f"{number:04}.ndjson" for number in range(count)]
    lines = size = 0
    with ExitStack() as open_files:
        out: list[BinaryIO] = [open_files.enter_context(one.open("wb")) for one in made]
        for file in files:
            for number, line in _lines(file):
                who = patient_of(_resource(file, number, line), known)
                out[zlib.crc32(who.encode()) % count if who else 0].write(line.rstrip(b"\r\n") + b"\n")
                lines, size = lines + 1, size + len(line)
    return Parts(tuple(made), lines, size)


def resources(part: Path) -> list[Held]:
    """The resources of one part, each with the reference that names it."""
    return [(f"{r['resourceType']}/{r['id']}", r) for _, line in _lines(part) if (r := orjson.loads(line))]


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


def _identifiers(files: Iterable[Path]) -> dict[str, str]:
    """system|value -> Patient/ID of every Patient. Lines of other types are not parsed."""
    known: dict[str, str] = {}
    for file in files:
        for number, line in _lines(file):
            if b'"Patient"' not in line:
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
