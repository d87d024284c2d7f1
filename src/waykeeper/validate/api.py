"""The public functions of the room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import orjson

from waykeeper.findings import Finding, Position, entry, finding
from waykeeper.validate.positions import PositionIndex
from waykeeper.validate.reader import Reading, read
from waykeeper.validate.run import Run, steps, to_findings
from waykeeper.validate.structure import walk_resource


def validate(resource: Any, profiles: Sequence[Any] = (), *, stricter: bool = True) -> list[Finding]:
    """What is wrong with a resource: a dict, JSON as bytes or text, or a `fhir.resources` model.

    Nothing is wrong with it where no finding has severity `error`. `stricter=False` leaves out the findings of
    the family "stricter" and keeps those of "the specification". Never raises on any data.
    """
    if isinstance(resource, bytes | bytearray | str):
        return validate_json(bytes(resource) if isinstance(resource, bytearray) else resource, profiles, stricter=stricter)
    if not isinstance(resource, dict) and hasattr(resource, "model_dump_json"):
        resource = orjson.loads(resource.model_dump_json())
    return to_findings(_run(resource, profiles, stricter))


def validate_json(
    data: bytes | str, profiles: Sequence[Any] = (), *, file: str = "", stricter: bool = True, line: int = 0
) -> list[Finding]:
    """What is wrong with one JSON text; positions name file, line and column (`line`: of an NDJSON file)."""
    reading = read(data)
    if not reading.readable:
        return _faults(reading, file, line, stricter)
    run = _run(reading.value, profiles, stricter)
    if not run.found and not reading.faults:
        return []
    return _faults(reading, file, line, stricter) + _placed(run, reading, file, line)


def validate_ndjson(
    lines: Iterable[bytes | str], profiles: Sequence[Any] = (), *, file: str = "", stricter: bool = True
) -> Iterator[tuple[int, list[Finding]]]:
    """(line number, findings) of each line that is not blank, one at a time."""
    for number, line in enumerate(lines, 1):
        if line.strip():
            yield number, validate_json(line, profiles, file=file, stricter=stricter, line=number)


def _run(resource: Any, profiles: Sequence[Any], stricter: bool) -> Run:
    if not isinstance(resource, dict):
        run = Run({}, stricter)
        run.add("WKV008", None, "a resource is a JSON object")
        return run
    run = Run(resource, stricter)
    try:
        walk_resource(resource, None, run)
    except RecursionError:
        run.add("WKV005", None, "the resource is nested too deeply to be checked")
    return run


def _faults(reading: Reading, file: str, line: int, stricter: bool) -> list[Finding]:
    """The findings on the text itself."""
    out = []
    for code, details, offset, key in reading.faults:
        if not stricter and entry(code).family == "stricter":
            continue
        place = Position(file, line)
        if reading.text and (offset >= 0 or key):
            index = PositionIndex(reading.text)
            row, column = index.line_column(index.repeated(key) if key else offset)
            place = Position(file, row + max(line - 1, 0), column)
        out.append(finding(code, details, place))
    return out


def _placed(run: Run, reading: Reading, file: str, line: int) -> list[Finding]:
    """The findings of a run with file, line and column."""
    index = PositionIndex(reading.text)
    paths = [tuple(steps(place)) for _, place, _, _, _ in run.found]
    offsets = index.offsets(set(paths))
    out = []
    for held, path in zip(to_findings(run), paths, strict=True):
        while path and path not in offsets:
            path = path[:-1]
        row, column = index.line_column(offsets.get(path, 0))
        out.append(replace(held, position=Position(file, row + max(line - 1, 0), column, held.position.path)))
    return out
