"""The specification as tables: read once, parsed a record at a time, on demand."""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any

import orjson

SPEC_VERSION = "4.0.1"
_FILES = (
    "types.jsonl",
    "valuesets.jsonl",
    "codesystems.jsonl",
    "extensions.jsonl",
    "profiles.jsonl",
    "ucum.jsonl",
    "iso_codes.jsonl",
)


@cache
def version() -> str:
    """The release of FHIR and a digest of the tables, so that two installations can be compared."""
    text = "".join((files("waykeeper.validate") / "tables" / name).read_text("utf-8") for name in _FILES)
    return f"{SPEC_VERSION}+{sha256(text.encode()).hexdigest()[:8]}"


@cache
def _lines(name: str) -> dict[str, str]:
    text = (files("waykeeper.validate") / "tables" / name).read_text("utf-8")
    return dict(line.split("\t", 1) for line in text.splitlines())


def _record(name: str, key: str) -> dict[str, Any] | None:
    line = _lines(name).get(key)
    return None if line is None else orjson.loads(line)


@cache
def type_record(name: str) -> dict[str, Any] | None:
    """The record of a type (`build_structures` draws it), or None where R4 has no such type."""
    return _record("types.jsonl", name)


@cache
def resource_types() -> frozenset[str]:
    """The names of the concrete R4 resource types."""
    return frozenset(
        name
        for name, line in _lines("types.jsonl").items()
        if line.startswith('{"k":"resource"') and '"abstract":1' not in line
    )


def value_set_record(url: str) -> dict[str, Any] | None:
    """The record of a value set (`build_terminology` draws it), or None."""
    return _record("valuesets.jsonl", url)


def code_system_record(url: str) -> dict[str, Any] | None:
    """The codes of a code system that 4.0.1 publishes, or of ISO 3166 and 4217 (kept by hand), or None."""
    return _record("codesystems.jsonl", url) or _record("iso_codes.jsonl", url)


def ucum_record(part: str) -> Any:
    """The `prefixes` (a list) or `units` (code to 1 where metric) of UCUM."""
    return _record("ucum.jsonl", part)


def profile_record(url: str) -> dict[str, Any] | None:
    """The record of a profile that 4.0.1 publishes (`build_profiles` draws it), or None."""
    return _record("profiles.jsonl", url)


@cache
def extension_table(url: str) -> dict[str, Any] | None:
    """The record of a published extension (`extensions.extension_record` draws it), or None."""
    return _record("extensions.jsonl", url)
