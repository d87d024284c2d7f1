"""The public functions of the room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import orjson

from waykeeper.findings import Finding, Position, entry, finding
from waykeeper.validate.positions import PositionIndex
from waykeeper.validate.profile_check import UNCHECKED, check_profiles
from waykeeper.validate.profiles import Profiles, all_profiles
from waykeeper.validate.reader import Reading, read
from waykeeper.validate.run import Run, steps, to_findings
from waykeeper.validate.structure import walk_resource


@dataclass(frozen=True, slots=True)
class Checked:
    """One resource that was checked: where it came from, what it is, what was found."""

    file: str
    line: int
    type: str
    id: str
    findings: tuple[Finding, ...]

    @property
    def valid(self) -> bool:
        """Whether no finding is an error; `unchecked` says whether everything was looked at."""
        return all(f.severity != "error" for f in self.findings)

    @property
    def unchecked(self) -> int:
        """How many findings say that something of a profile was not checked: a claim not given, a rule not told."""
        return sum(f.code in UNCHECKED for f in self.findings)

    @property
    def verdict(self) -> bool | None:
        """`valid`, but None where there is no error and something that was claimed or asked for was not checked."""
        return None if self.valid and self.unchecked else self.valid


def validate(resource: Any, profiles: Sequence[Any] = (), *, stricter: bool = True) -> list[Finding]:
    """What is wrong with a resource: a dict, JSON as bytes or text, or a `fhir.resources` model.

    The resource is valid where no finding has severity `error`. `stricter=False` leaves out the findings of the
    family "stricter" and keeps those of "the specification". `profiles`: StructureDefinitions (laid over every
    resource of their type) or what `load_profiles` made of them. Never raises on any resource; raises
    WaykeeperError on a profile that cannot be used (WKV801, WKV802).
    """
    if isinstance(resource, bytes | bytearray | str):
        text = bytes(resource) if isinstance(resource, bytearray) else resource
        return validate_json(text, profiles, stricter=stricter)
    if not isinstance(resource, dict) and hasattr(resource, "model_dump_json"):
        resource = orjson.loads(resource.model_dump_json())
    return to_findings(_run(resource, all_profiles(profiles), stricter))


def validate_json(
    data: bytes | str, profiles: Sequence[Any] = (), *, file: str = "", stricter: bool = True, line: int = 0
) -> list[Finding]:
    """What is wrong with one JSON text; positions name file, line and column (`line`: of an NDJSON file)."""
    return list(check_json(data, profiles, file=file, stricter=stricter, line=line).findings)


def check_json(
    data: bytes | str, profiles: Sequence[Any] = (), *, file: str = "", stricter: bool = True, line: int = 0
) -> Checked:
    """As `validate_json`, with the type and id of the resource."""
    loaded = all_profiles(profiles)
    reading = read(data)
    found: list[Finding] = []
    if reading.readable:
        run = _run(reading.value, loaded, stricter)
        if run.found:
            found = _placed(run, reading, file, line)
    if reading.faults:
        found = _faults(reading, file, line, stricter) + found
    type_, name = _identity(reading.value)
    return Checked(file, line, type_, name, tuple(found))


def validate_ndjson(
    lines: Iterable[bytes | str],
    profiles: Sequence[Any] = (),
    *,
    file: str = "",
    stricter: bool = True,
    line: int = 1,
) -> Iterator[Checked]:
    """Each line that is not blank, one at a time, numbered from `line`. Holds one line in memory."""
    loaded = [all_profiles(profiles)]
    for number, text in enumerate(lines, line):
        if text.strip():
            yield check_json(text, loaded, file=file, stricter=stricter, line=number)


def _identity(value: Any) -> tuple[str, str]:
    type_, name = (value.get("resourceType"), value.get("id")) if isinstance(value, dict) else ("", "")
    return type_ if isinstance(type_, str) else "", name if isinstance(name, str) else ""


def _run(resource: Any, profiles: Profiles, stricter: bool) -> Run:
    if not isinstance(resource, dict):
        run = Run({}, stricter)
        run.add("WKV008", None, "a resource is a JSON object")
        return run
    run = Run(resource, stricter)
    run.extensions = profiles.extensions
    run.ruled = profiles.ruled
    run.code_systems = profiles.code_systems
    run.known = {profile.url: profile for profile in profiles.profiles}
    run.profiles = lambda value, place: check_profiles(profiles.profiles, value, place, run)
    try:
        walk_resource(resource, None, run)
    except RecursionError:
        run.add("WKV005", None, "the resource is nested too deeply to be checked")
    return run


def _faults(reading: Reading, file: str, line: int, stricter: bool) -> list[Finding]:
    """The findings on the text itself."""
    out = []
    index = PositionIndex(reading.text)
    for fault in reading.faults:
        if not stricter and entry(fault.code).family == "stricter":
            continue
        place = Position(file, line)
        if reading.text and (fault.offset >= 0 or fault.key):
            row, column = index.line_column(index.repeated(fault.key) if fault.key else fault.offset)
            place = Position(file, row + max(line - 1, 0), column)
        out.append(finding(fault.code, fault.details, place, fault.help))
    return out


def _placed(run: Run, reading: Reading, file: str, line: int) -> list[Finding]:
    """The findings of a run with file, line and column."""
    index = PositionIndex(reading.text)
    paths = [tuple(steps(place)) for _, place, _, _, _ in run.found]
    offsets = index.offsets(set(paths))
    out = []
    for held, path in zip(to_findings(run), paths, strict=True):
        nearest = next(offsets[path[:n]] for n in range(len(path), -1, -1) if path[:n] in offsets)
        row, column = index.line_column(nearest)
        out.append(replace(held, position=Position(file, row + max(line - 1, 0), column, held.position.path)))
    return out
