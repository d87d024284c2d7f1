"""Findings for people, programs and CI."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from waykeeper.findings import Entry, Finding, entry

SCHEMA_VERSION = "1"
GITHUB = {"error": "error", "warning": "warning", "information": "notice"}


def as_text(findings: Sequence[Finding]) -> str:
    """One line a finding."""
    return "".join(f"{one.line()}\n" for one in findings)


def as_json(findings: Sequence[Finding]) -> str:
    """A document with `schema_version` and the findings in order."""
    return json.dumps({"schema_version": SCHEMA_VERSION, "findings": [record(f) for f in findings]}, indent=2) + "\n"


def record(finding: Finding) -> dict[str, Any]:
    """One finding as a plain record; the family and the link come from the catalogue."""
    place = asdict(finding.position)
    known = entry(finding.code)
    return {
        "code": finding.code,
        "severity": finding.severity,
        "family": known.family,
        "details": finding.details,
        "help": finding.help,
        "link": known.link,
        **place,
    }


def as_github(findings: Sequence[Finding]) -> str:
    """Workflow commands that hosted CI turns into annotations."""
    return "".join(_github(one) for one in findings)


def _github(finding: Finding) -> str:
    place = finding.position
    where = ",".join(
        f"{name}={_property(str(value))}"
        for name, value in (("file", place.file), ("line", place.line), ("col", place.column), ("title", finding.code))
        if value
    )
    return f"::{GITHUB[finding.severity]} {where}::{_message(finding.sentence())}\n"


def _message(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _message(text).replace(":", "%3A").replace(",", "%2C")


def as_page(known: Entry) -> str:
    """What `explain CODE` prints."""
    lines = [f"{known.code}: {known.title} ({known.severity}, {known.family})", "", known.explanation.strip()]
    if known.help:
        lines += ["", f"Remedy: {known.help}"]
    for label, example in (("Raises it", known.raises), ("Does not", known.passes)):
        if example is not None:
            lines += ["", f"{label}:", _example(example)]
    if known.link:
        lines += ["", f"Standard: {known.link}"]
    return "\n".join(lines)


def _example(example: Any) -> str:
    text = example if isinstance(example, str) else json.dumps(example, indent=2, ensure_ascii=False, default=str)
    return "\n".join(f"    {line}" for line in text.strip().splitlines())
