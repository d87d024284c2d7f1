"""Files in, files out: JSON, NDJSON, folders and standard input; written whole or not at all."""

from __future__ import annotations

import codecs
import gzip
import json
import os
import stat
import sys
import tempfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import orjson

from waykeeper.findings import Position, WaykeeperError, finding

if TYPE_CHECKING:
    from waykeeper.record import Page

Held = tuple[str, dict[str, Any]]
MEBIBYTE = 1024 * 1024
LARGEST = 512 * MEBIBYTE  # bytes, before and after unpacking; a larger file is given as NDJSON in parts
ENDINGS = (".json", ".ndjson", ".json.gz", ".ndjson.gz")
OUTCOMES = ".outcomes"  # what a bulk export could not give, a line each: no resources of a caseload
EXPORT_STATE = "export.state"  # in the folder of a bulk export: what was asked, and whether all of it is there


def ends_in(path: str, endings: str | tuple[str, ...]) -> bool:
    """Whether a file's name ends so, in small letters or capitals: some systems write BOOKINGS.JSON."""
    return path.lower().endswith(endings)


def is_ndjson(path: str) -> bool:
    """Whether a file's name says that it holds a resource on each line, packed or not."""
    return ends_in(path, (".ndjson", ".ndjson.gz"))


@contextmanager
def readable(path: str) -> Iterator[None]:
    """Turn whatever keeps a file from being read into WaykeeperError WKC101."""
    try:
        yield
    except FileNotFoundError:
        raise _unreadable(path, "there is no such file") from None
    except IsADirectoryError:
        raise _unreadable(path, "this is a folder, a file is needed") from None
    except (gzip.BadGzipFile, EOFError, zlib.error):
        raise _unreadable(path, "the file is damaged: it cannot be unpacked", "Get it again.") from None
    except (OSError, ValueError) as error:  # ValueError: a name with a null character in it
        reason = getattr(error, "strerror", None) or str(error)
        raise _unreadable(path, f"the file cannot be read: {reason.lower()}") from None


def _unreadable(path: str, details: str, remedy: str = "") -> WaykeeperError:
    return WaykeeperError(finding("WKC101", details, Position(path), remedy))


def too_large(path: str) -> WaykeeperError:
    """WKC101: more than memory should hold."""
    details = f"the file is larger than {LARGEST // MEBIBYTE} MiB"
    return _unreadable(path, details, "Split it, or give it as NDJSON in several files.")


def read_bytes(path: str) -> bytes:
    """The bytes of a file (unpacked if it ends in .gz), or of standard input for `-`. Raises WaykeeperError WKC101."""
    if path == "-":
        data = sys.stdin.buffer.read(LARGEST + 1)
    else:
        with readable(path), Path(path).open("rb") as raw:
            if os.fstat(raw.fileno()).st_size > LARGEST:
                raise too_large(path)
            with gzip.open(raw) if ends_in(path, ".gz") else raw as stream:
                data = stream.read(LARGEST + 1)
    if len(data) > LARGEST:
        raise too_large(path)
    return data


def is_utf16(data: bytes) -> bool:
    """Whether bytes are text in UTF-16, by their mark or by the null that each Latin letter has there."""
    return data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in data[:4]


def read_json(path: str) -> Any:
    """The JSON document of a file. Raises WaykeeperError WKC101 or WKC102 with line and column."""
    return _parse(read_bytes(path), path)


def _parse(data: bytes, path: str, line: int = 0) -> Any:
    if not data.strip():
        raise WaykeeperError(finding("WKC102", "the file is empty", Position(path, line), "Give a file with JSON."))
    try:
        return orjson.loads(data)
    except orjson.JSONDecodeError:  # read again by the standard library: it reads more, and says where it ends
        return _parse_slowly(data, path, line)


def _parse_slowly(data: bytes, path: str, line: int) -> Any:
    try:
        read = json.loads(data.decode("utf-8-sig"), parse_constant=_no_number)
        json.dumps(read, ensure_ascii=False).encode()
        return read
    except UnicodeEncodeError:
        details = "not JSON that can be written again: half a character (a lone surrogate)"
        raise WaykeeperError(finding("WKC102", details, Position(path, line))) from None
    except UnicodeDecodeError as error:
        before = data[: error.start]
        where = Position(path, line or before.count(b"\n") + 1, error.start - (before.rfind(b"\n") + 1) + 1)
        raise WaykeeperError(finding("WKC102", "not UTF-8", where, "Save the file as UTF-8.")) from None
    except json.JSONDecodeError as error:
        where = Position(path, line or error.lineno, error.colno)
        raise WaykeeperError(finding("WKC102", f"not JSON: {_said(error)}", where)) from None
    except RecursionError:
        raise WaykeeperError(finding("WKC102", "JSON nested too deeply", Position(path, line))) from None
    except ValueError as error:  # NaN and Infinity; a number of more digits than Python turns into one
        details = str(error) if str(error).startswith("not JSON") else "not JSON: a number with too many digits"
        raise WaykeeperError(finding("WKC102", details, Position(path, line))) from None


def _no_number(word: str) -> Any:
    raise ValueError(f"not JSON: {word} is no number")


def _said(error: json.JSONDecodeError) -> str:
    if error.pos >= len(error.doc.rstrip()):
        return "the text ends too early"
    return f"{error.msg[:1].lower()}{error.msg[1:]}"


def files_of(path: str) -> list[str]:
    """The files that a path names: itself, or those of a folder in the order of their names.

    Raises WaykeeperError WKC101: nothing there, or a folder without a file that is read.
    """
    if path == "-" or not Path(path).is_dir():
        return [path]
    found = sorted(str(p) for p in Path(path).rglob("*") if p.is_file() and ends_in(p.name, ENDINGS))
    if not found:
        remedy = f"Files must end in {', '.join(ENDINGS)}."
        raise _unreadable(path, "the folder holds no FHIR file", remedy)
    return found


def documents(path: str) -> Iterator[tuple[str, Any]]:
    """Every document of a file or folder as (`file` or `file:line`, value), files in the order of their names."""
    for file in files_of(path):
        if not is_ndjson(file):
            yield file, read_json(file)
            continue
        for number, line in enumerate(read_bytes(file).splitlines(), 1):
            if line.strip():
                yield f"{file}:{number}", _parse(line, file, number)


def file_and_line(place: str) -> tuple[str, int]:
    """The two of a place that `documents` names; line 0 where it is a whole file."""
    file, _, line = place.rpartition(":")
    return (file, int(line)) if line.isdecimal() else (place, 0)


def read_resources(path: str, pages: list[Page] | None = None) -> list[Held]:
    """The resources of a file, an NDJSON file or a folder, each with the reference that names it.

    `pages` is given what the searchset Bundles among them say of further pages. Raises WaykeeperError: WKC101
    unreadable, WKC102 not JSON, WKC103 no FHIR resource in it.
    """
    from waykeeper.record import pages_of, resources_of  # not at the top: `validate` reads files and needs no record

    found: list[Held] = []
    for place, document in documents(path):
        wrong = _not_fhir(document)
        if wrong:
            raise WaykeeperError(finding("WKC103", wrong, Position(*file_and_line(place))))
        found += resources_of(document)
        if pages is not None:
            pages += pages_of(document)
    return found


def exported_outcomes(path: str) -> list[Held]:
    """What the server of a bulk export said of it, kept beside it: OperationOutcomes, each with its file and line.

    One that is not finished says so too: what its folder lacks would be taken for what never was. Nothing for what is
    no folder. Raises WaykeeperError WKC101, WKC102.
    """
    if path == "-" or not Path(path).is_dir():
        return []
    found = sorted(Path(path).rglob(f"*{OUTCOMES}"))
    lines = [(f, n, line) for f in found for n, line in enumerate(read_bytes(str(f)).splitlines(), 1) if line.strip()]
    told = [(f"{file.name}:{number}", _parse(line, str(file), number)) for file, number, line in lines]
    begun = [file.name for file in sorted(Path(path).rglob(EXPORT_STATE)) if not _finished(file)]
    return [*((place, one) for place, one in told if isinstance(one, dict)), *((name, _BROKEN_OFF) for name in begun)]


_BROKEN_OFF = {
    "resourceType": "OperationOutcome",
    "issue": [
        {
            "severity": "error", "code": "incomplete",
            "diagnostics": "the export is not finished, parts of it are missing; the same export again goes on with it",
        }
    ],
}  # fmt: skip


def _finished(state: Path) -> bool:
    """False also for what cannot be read: nobody knows then that all is there."""
    try:
        said = _parse(read_bytes(str(state)), str(state))
    except WaykeeperError:
        return False
    return isinstance(said, dict) and said.get("done") is True


def read_bundle(path: str) -> dict[str, Any]:
    """The Bundle of a file. Raises WaykeeperError: WKC101 unreadable, WKC102 not JSON, WKC103 no Bundle."""
    return a_bundle(read_json(path), path)


def a_bundle(document: Any, place: str = "") -> dict[str, Any]:
    """What was read, where it is a Bundle of FHIR resources. Raises WaykeeperError WKC103."""
    wrong = _not_fhir(document)
    if not wrong and (isinstance(document, list) or document["resourceType"] != "Bundle"):
        wrong = "this is no Bundle"
    if wrong:
        raise WaykeeperError(finding("WKC103", wrong, Position(place), "Give the Bundle that compile wrote."))
    return dict(document)


def _not_fhir(document: Any) -> str:
    """What keeps a document from being read as resources; "" for nothing."""
    if isinstance(document, list):
        return next((said for said in map(_not_fhir, document) if said), "") if document else _instead("an empty list")
    if not isinstance(document, dict):
        kind = {str: "a text", bool: "a truth value", type(None): "null"}.get(type(document), "a number")
        return _instead(kind)
    if "resourceType" not in document:
        return "no FHIR resource: resourceType is missing"
    if not isinstance(document["resourceType"], str) or not document["resourceType"]:
        return "no FHIR resource: resourceType is no text"
    return _bad_entries(document) if document["resourceType"] == "Bundle" else ""


def _instead(found: str) -> str:
    return f"{found} where a FHIR resource is needed"


def _bad_entries(bundle: dict[str, Any]) -> str:
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        return "Bundle.entry is no list"
    for number, entry in enumerate(entries):
        resource = entry.get("resource", {"resourceType": "-"}) if isinstance(entry, dict) else None
        if not isinstance(resource, dict):
            return f"Bundle.entry[{number}] holds no resource"
        wrong = _not_fhir(resource)
        if wrong:
            return f"Bundle.entry[{number}]: {wrong}"
    return ""


def write_whole(path: str, data: str | bytes | Iterable[str]) -> None:
    """Write a file for its owner only, replaced in one step so that nothing half written is ever there.

    `data` may come in parts, which are written as they come. `-` is standard output. A link stands and what it leads to
    is replaced; a device or a pipe is written into. Raises WaykeeperError WKC104.
    """
    parts = (data,) if isinstance(data, str | bytes) else data
    # a name of the system that is not UTF-8 is told with what stands for its bytes
    content = (in_bytes(part) if isinstance(part, str) else part for part in parts)
    if path == "-":
        _to_stdout(content)
        return
    target = Path(path)
    with _placed(path):
        kind = _kind_of(path)
        if kind == "stdout":
            _to_stdout(content)
        elif kind == "stream":
            with target.open("wb") as stream:
                stream.writelines(content)
        else:
            _replace(target.resolve(), content)


def to_be_written(paths: Iterable[str]) -> None:
    """Ask of each file, before anything is done that stands, whether it could be written; "" is none.

    Raises WaykeeperError WKC104 as `write_whole` would.
    """
    for path in paths:
        if not path or path == "-":
            continue
        with _placed(path):
            if _kind_of(path) == "file":
                target = Path(path).resolve()
                tempfile.TemporaryFile(prefix=f".{target.name}.", dir=target.parent).close()


@contextmanager
def _placed(path: str) -> Iterator[None]:
    """Turn whatever keeps a file from being written into WaykeeperError WKC104."""
    parent = Path(path).parent
    try:
        yield
    except FileNotFoundError as error:
        if parent.is_dir():  # a folder of the system, in which nothing can be made
            raise unwritable(path, (error.strerror or "no such file").lower()) from None
        raise unwritable(path, f"there is no folder {str(parent)!r}", "Make the folder first.") from None
    except (OSError, ValueError) as error:
        raise unwritable(path, (getattr(error, "strerror", None) or str(error)).lower()) from None


def _kind_of(path: str) -> str:
    """How a path is written to: `file`, also where nothing is yet, `stream`, or `stdout` by another name of it."""
    try:
        found = Path(path).stat()
    except FileNotFoundError:
        return "file"
    if stat.S_ISDIR(found.st_mode):
        raise IsADirectoryError(0, "it is a folder, a file is needed")
    if stat.S_ISBLK(found.st_mode):
        raise OSError(0, "it is a disk, a file is needed")
    if _is_stdout(found):
        return "stdout"
    return "file" if stat.S_ISREG(found.st_mode) else "stream"


def is_stdout(path: str) -> bool:
    """True for a path that is written to standard output: `-`, or another name of what it goes to."""
    if path == "-":
        return True
    try:
        return _is_stdout(Path(path).stat())
    except (OSError, ValueError):  # nothing is there yet; whoever opens it says what is wrong with it
        return False


def _is_stdout(found: os.stat_result) -> bool:
    """True for what standard output goes to: replaced, it would be lost to whatever is written there after."""
    try:
        return os.path.samestat(found, os.fstat(sys.stdout.fileno()))
    except (AttributeError, OSError, ValueError):  # there is none, or it is nothing of the system
        return False


def _replace(target: Path, content: Iterable[bytes]) -> None:
    handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.writelines(content)
        Path(temporary).replace(target)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def in_bytes(text: str) -> bytes:
    """Text as the files that we write hold it: UTF-8, half a character (a lone surrogate) as its escape."""
    return text.encode(errors="backslashreplace")


def write_together(folder: Path, files: Mapping[str, str]) -> None:
    """Write files of a folder for its owner only: all of them, or none where one cannot be written.

    They are written beside first, so that little can go wrong any more when they take their names. Raises
    WaykeeperError WKC104.
    """
    if not files:
        return
    with _placed(str(folder)), tempfile.TemporaryDirectory(prefix=".", dir=folder) as beside:
        for name, text in files.items():
            _replace(Path(beside) / name, [in_bytes(text)])
        for name in files:
            (Path(beside) / name).replace(folder / name)


def folder_for(path: str) -> Path:
    """A folder to write into, made for its owner only where it is not there. Raises WaykeeperError WKC104."""
    made = Path(path)
    try:
        made.mkdir(mode=0o700, parents=True, exist_ok=True)
    except FileExistsError:
        raise unwritable(path, "it is a file, a folder is needed") from None
    except (OSError, ValueError) as error:
        raise unwritable(path, (getattr(error, "strerror", None) or str(error)).lower()) from None
    return made


def _to_stdout(content: Iterable[bytes]) -> None:
    try:
        sys.stdout.flush()
        sys.stdout.buffer.writelines(content)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise unwritable("(standard output)", (error.strerror or "closed").lower()) from None


def unwritable(path: str, reason: str, remedy: str = "") -> WaykeeperError:
    """WKC104 with what the system says."""
    return WaykeeperError(finding("WKC104", f"cannot write: {reason}", Position(path), remedy))
