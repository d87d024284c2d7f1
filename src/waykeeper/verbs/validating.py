"""Files -> what the validator found in each of their resources."""

from __future__ import annotations

import gzip
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from waykeeper.exchange.files import documents, files_of, read_bytes, readable
from waykeeper.findings import Finding
from waykeeper.validate import Checked, Profiles, check_json, load_profiles, validate_ndjson


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


@cache
def own_definitions() -> Profiles:
    """Our own definitions, compiled once a process: every plan is checked against the same."""
    from waykeeper.fhir.conformance import shipped

    return load_profiles(shipped())


def validate_files(*paths: str, profiles: Sequence[str] = (), stricter: bool = True) -> Validated:
    """Validate files, NDJSON files, `.gz`, folders or standard input (`-`) as FHIR R4.

    Every file is looked at, whatever is found in the first. `profiles` are files or folders of StructureDefinitions
    with what they bind to. Raises WaykeeperError WKC101 where a file cannot be read, WKV801 and WKV802 for profiles.
    """
    loaded = (own_definitions(), load_profiles(_definitions(profiles), always=True))
    files = [file for path in paths for file in files_of(path)]
    return Validated(tuple(one for file in files for one in _checked(file, loaded, stricter)))


def _checked(file: str, profiles: Sequence[Profiles], stricter: bool) -> Iterator[Checked]:
    if not file.removesuffix(".gz").endswith(".ndjson"):
        yield check_json(read_bytes(file), profiles, file=_shown(file), stricter=stricter)
        return
    with readable(file), gzip.open(file, "rb") if file.endswith(".gz") else Path(file).open("rb") as lines:
        yield from validate_ndjson((line.rstrip(b"\r\n") for line in lines), profiles, file=file, stricter=stricter)


def _shown(file: str) -> str:
    return "(standard input)" if file == "-" else file


def _definitions(paths: Sequence[str]) -> list[Any]:
    return [part for path in paths for _, document in documents(path) for part in _parts(document)]


def _parts(document: Any) -> Iterator[Any]:
    """The definitions of a Bundle, or the one that it is."""
    if isinstance(document, dict) and document.get("resourceType") == "Bundle":
        yield from (entry.get("resource") for entry in document.get("entry") or [] if isinstance(entry, dict))
    else:
        yield document
