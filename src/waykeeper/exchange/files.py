"""Files in, files out: JSON, NDJSON, folders and standard input; written whole or not at all."""

from __future__ import annotations

import gzip
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.record import resources_of

Held = tuple[str, dict[str, Any]]
LARGEST = 512 * 1024 * 1024  # bytes; a larger file is given as NDJSON in parts
ENDINGS = (".json", ".ndjson", ".json.gz", ".ndjson.gz")


def read_bytes(path: str) -> bytes:
    """The bytes of a file, or of standard input for `-`. Raises WaykeeperError WKC101."""
    if path == "-":
        return sys.stdin.buffer.read()
    try:
        if Path(path).stat().st_size > LARGEST:
            raise WaykeeperError(finding("WKC101", "the file is larger than 512 MiB", Position(path)))
        data = Path(path).read_bytes()
        return gzip.decompress(data) if path.endswith(".gz") else data
    except FileNotFoundError:
        raise WaykeeperError(finding("WKC101", "there is no such file", Position(path))) from None
    except IsADirectoryError:
        raise WaykeeperError(finding("WKC101", "this is a folder, a file is needed", Position(path))) from None
    except (OSError, EOFError) as error:
        reason = getattr(error, "strerror", None) or "damaged"
        raise WaykeeperError(finding("WKC101", f"the file cannot be read: {reason}", Position(path))) from None


def read_json(path: str) -> Any:
    """The JSON document of a file. Raises WaykeeperError WKC101 or WKC102 with line and column."""
    return _parse(read_bytes(path), path)


def _parse(data: bytes, path: str, line: int = 0) -> Any:
    try:
        return json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise WaykeeperError(finding("WKC102", f"byte {error.start} is not UTF-8", Position(path, line))) from None
    except json.JSONDecodeError as error:
        where = Position(path, line or error.lineno, error.colno)
        raise WaykeeperError(finding("WKC102", f"not JSON: {error.msg.lower()}", where)) from None
    except RecursionError:
        raise WaykeeperError(finding("WKC102", "JSON nested too deeply", Position(path, line))) from None


def documents(path: str) -> Iterator[tuple[str, Any]]:
    """Every document of a file or folder as (`file` or `file:line`, value), files in the order of their names."""
    if path != "-" and Path(path).is_dir():
        found = sorted(p for p in Path(path).rglob("*") if p.is_file() and p.name.endswith(ENDINGS))
        if not found:
            raise WaykeeperError(finding("WKC101", "the folder holds no .json or .ndjson file", Position(path)))
        for file in found:
            yield from documents(str(file))
    elif path.removesuffix(".gz").endswith(".ndjson"):
        for number, line in enumerate(read_bytes(path).splitlines(), 1):
            if line.strip():
                yield f"{path}:{number}", _parse(line, path, number)
    else:
        yield path, read_json(path)


def read_resources(path: str) -> list[Held]:
    """The resources of a file, an NDJSON file or a folder, each with the reference that names it.

    Raises WaykeeperError: WKC101 unreadable, WKC102 not JSON, WKC103 no FHIR resource in it.
    """
    found: list[Held] = []
    for place, document in documents(path):
        pairs = resources_of(document)
        if not pairs and not _empty_bundle(document):
            file, _, line = place.rpartition(":") if place != path else (path, "", "")
            where = Position(file or path, int(line) if line.isdigit() else 0)
            raise WaykeeperError(finding("WKC103", "this is no FHIR resource: resourceType is missing", where))
        found += pairs
    return found


def _empty_bundle(document: Any) -> bool:
    return isinstance(document, dict) and document.get("resourceType") == "Bundle"


def write_whole(path: str, data: str | bytes) -> None:
    """Write a file for its owner only, replaced in one step so that nothing half written is ever there.

    `-` is standard output. Raises WaykeeperError WKC104.
    """
    content = data.encode() if isinstance(data, str) else data
    if path == "-":
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
        return
    target = Path(path)
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            Path(temporary).replace(target)
        except OSError:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise WaykeeperError(finding("WKC104", f"cannot write: {error.strerror}", Position(path))) from None
