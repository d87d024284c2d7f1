"""What `waykeeper validate` found, for people, programs and CI: text, JSON, annotations, JUnit XML, SARIF, FHIR.

Pure functions of `Checked` values (one a resource, as the validator returns them). None of these formats carries
the content of a resource beyond what a finding quotes.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from waykeeper.findings import Finding, entry
from waykeeper.report.findings import SCHEMA_VERSION, as_github, as_text, record
from waykeeper.validate import Checked
from waykeeper.version import VERSION

SARIF_SCHEMA = "https://json.schemastore.org/sarif-2.1.0.json"
_LEVEL = {"error": "error", "warning": "warning", "information": "note"}
# OperationOutcome.issue.code of a finding, by the first letters of its code (required value set issue-type).
_ISSUE = {
    "WKV00": "structure", "WKV1": "structure", "WKV2": "value", "WKV3": "code-invalid", "WKV4": "invariant",
    "WKV5": "not-found", "WKV6": "business-rule", "WKV7": "extension", "WKV8": "invariant", "WKV9": "business-rule",
}  # fmt: skip
_NOT_XML = {n: None for n in range(32) if n not in (9, 10, 13)}


def findings_of(checked: Iterable[Checked]) -> list[Finding]:
    """Every finding of every resource, in order."""
    return [f for one in checked for f in one.findings]


def stdout_text(checked: Sequence[Checked], form: str) -> str:
    """What goes to standard output: a form of `FORMS`. Raises KeyError for another."""
    return FORMS[form](checked)


def text(checked: Sequence[Checked]) -> str:
    """`path:line:col: CODE severity: message`, one line a finding."""
    return as_text(findings_of(checked))


def github(checked: Sequence[Checked]) -> str:
    """Workflow commands that hosted CI turns into annotations."""
    return as_github(findings_of(checked))


def as_json(checked: Sequence[Checked]) -> str:
    """`schema_version`, and for each resource file, line, type, id, valid, unchecked and findings.

    `valid` is null where there is no error and not everything was checked (`unchecked` counts those findings).
    """
    document = {"schema_version": SCHEMA_VERSION, "resources": [resource_record(one) for one in checked]}
    return json.dumps(document, indent=2) + "\n"


def resource_record(one: Checked) -> dict[str, Any]:
    """One resource of the JSON report."""
    return {
        "file": one.file,
        "line": one.line,
        "type": one.type,
        "id": one.id,
        "valid": one.verdict,
        "unchecked": one.unchecked,
        "findings": [record(f) for f in one.findings],
    }


@dataclass(slots=True)
class Tally:
    """How much was looked at and found, counted one resource at a time, so that none needs to be kept."""

    resources: int = 0
    severities: Counter[str] = field(default_factory=Counter)

    def add(self, one: Checked) -> None:
        """Count one more."""
        self.resources += 1
        for found in one.findings:
            self.severities[found.severity] += 1

    def __str__(self) -> str:
        """`61 resources: 1 error, 2 warnings`."""
        counts = [(self.severities[s], s) for s in ("error", "warning")]
        named = [f"{n} {s}{'s' if n != 1 else ''}" for n, s in counts if n]
        some = "resource" if self.resources == 1 else "resources"
        return f"{self.resources} {some}: {', '.join(named) or 'no findings'}"


def junit(checked: Sequence[Checked]) -> str:
    """JUnit XML: a suite a file, a case a resource; errors are failures, the rest is in system-out."""
    files: dict[str, list[Checked]] = {}
    for one in checked:
        files.setdefault(one.file or "-", []).append(one)
    suites = "".join(_suite(file, members) for file, members in files.items())
    failed = sum(not one.valid for one in checked)
    head = f'<testsuites name="waykeeper validate" tests="{len(checked)}" failures="{failed}">'
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{head}\n{suites}</testsuites>\n'


def _suite(file: str, members: Sequence[Checked]) -> str:
    failed = sum(not one.valid for one in members)
    cases = "".join(_case(one) for one in members)
    counts = f'tests="{len(members)}" failures="{failed}" errors="0" skipped="0"'
    return f"  <testsuite name={_attribute(file)} {counts}>\n{cases}  </testsuite>\n"


def _case(one: Checked) -> str:
    name = f"{one.type or 'no resource'}/{one.id}" if one.id else one.type or "no resource"
    if one.line:
        name += f" (line {one.line})"
    errors = [f for f in one.findings if f.severity == "error"]
    others = [f for f in one.findings if f.severity != "error"]
    body = ""
    if errors:
        first = _attribute(f"{errors[0].code}: {errors[0].details}")
        lines = _content(as_text(errors))
        body += f'      <failure type="{errors[0].code}" message={first}>{lines}</failure>\n'
    if others:
        body += f"      <system-out>{_content(as_text(others))}</system-out>\n"
    opening = f"    <testcase classname={_attribute(one.file or '-')} name={_attribute(name)}"
    return f"{opening}>\n{body}    </testcase>\n" if body else f"{opening}/>\n"


def _attribute(value: str) -> str:
    from xml.sax.saxutils import quoteattr  # not at the top: it loads the network's libraries

    return quoteattr(_xml(value))


def _content(value: str) -> str:
    from xml.sax.saxutils import escape

    return escape(_xml(value))


def _xml(value: str) -> str:
    """Only what XML 1.0 can hold: neither control characters nor half of a surrogate pair."""
    return value.translate(_NOT_XML).encode("utf-8", "replace").decode().replace("\ufffe", "?").replace("\uffff", "?")


def sarif(checked: Sequence[Checked]) -> str:
    """SARIF 2.1.0: one run, a rule for each code that occurs, a result a finding."""
    found = findings_of(checked)
    codes = sorted({f.code for f in found})
    driver = {
        "name": "waykeeper",
        "version": VERSION,
        "rules": [_rule(code) for code in codes],
    }
    run = {
        "tool": {"driver": driver},
        "columnKind": "unicodeCodePoints",
        "results": [_result(f, codes.index(f.code)) for f in found],
    }
    document = {"$schema": SARIF_SCHEMA, "version": "2.1.0", "runs": [run]}
    return json.dumps(document, indent=2) + "\n"


def _rule(code: str) -> dict[str, Any]:
    known = entry(code)
    rule: dict[str, Any] = {
        "id": code,
        "name": "".join(word.capitalize() for word in known.title.replace("'", "").split()),
        "shortDescription": {"text": known.title},
        "fullDescription": {"text": known.explanation},
        "defaultConfiguration": {"level": _LEVEL[known.severity]},
        "properties": {"family": known.family},
    }
    if known.help:
        rule["help"] = {"text": known.help}
    if known.link:
        rule["helpUri"] = known.link
    return rule


def _result(finding: Finding, index: int) -> dict[str, Any]:
    place = finding.position
    physical: dict[str, Any] = {"artifactLocation": {"uri": _uri(place.file)}}
    if place.line:
        physical["region"] = {"startLine": place.line, "startColumn": max(place.column, 1)}
    location: dict[str, Any] = {"physicalLocation": physical}
    if place.path:
        location["logicalLocations"] = [{"fullyQualifiedName": place.path, "kind": "element"}]
    return {
        "ruleId": finding.code,
        "ruleIndex": index,
        "level": _LEVEL[finding.severity],
        "message": {"text": finding.sentence()},
        "locations": [location],
    }


def _uri(file: str) -> str:
    from urllib.parse import quote

    return quote(file.replace("\\", "/")) or "stdin"


def outcome(checked: Sequence[Checked]) -> str:
    """The OperationOutcome of every finding as JSON."""
    return json.dumps(operation_outcome(findings_of(checked)), indent=2) + "\n"


def operation_outcome(findings: Sequence[Finding]) -> dict[str, Any]:
    """A FHIR OperationOutcome: one issue a finding, or one that says that nothing was found."""
    issues = [_issue(f) for f in findings]
    nothing = {"severity": "information", "code": "informational", "diagnostics": "nothing found"}
    return {"resourceType": "OperationOutcome", "issue": issues or [nothing]}


def _issue(finding: Finding) -> dict[str, Any]:
    kind = next((code for start, code in _ISSUE.items() if finding.code.startswith(start)), "processing")
    issue: dict[str, Any] = {
        "severity": finding.severity,
        "code": kind,
        "details": {"coding": [{"system": "urn:waykeeper:finding", "code": finding.code}], "text": finding.sentence()},
    }
    if finding.position.line or finding.position.file:
        issue["diagnostics"] = str(finding.position)
    if finding.position.path:
        issue["expression"] = [finding.position.path]
    return issue


def known_as(finding: Finding) -> str:
    """What makes two findings the same to a baseline: code, file and element path."""
    return f"{finding.code} {finding.position.file} {finding.position.path}"


@dataclass(slots=True)
class Sieve:
    """Takes from each resource the findings that a baseline holds; a finding more than it holds is new.

    `covered` counts what was taken out, `found` everything that came in: the next baseline.
    """

    known: Mapping[str, int]
    covered: int = 0
    found: Counter[str] = field(default_factory=Counter)

    def sift(self, one: Checked) -> Checked:
        """The resource without what is known."""
        kept = []
        for finding in one.findings:
            key = known_as(finding)
            self.found[key] += 1
            if self.found[key] <= self.known.get(key, 0):
                self.covered += 1
            else:
                kept.append(finding)
        return replace(one, findings=tuple(kept))

    @property
    def gone(self) -> int:
        """How many findings of the baseline did not occur."""
        return sum(self.known.values()) - self.covered

    @property
    def baseline(self) -> dict[str, int]:
        """What came in, as a baseline accepts it: how often each finding occurs."""
        return dict(sorted(self.found.items()))


# What standard output can be, and which of it can be written while resources still come in.
FORMS: Mapping[str, Callable[[Sequence[Checked]], str]] = {
    "text": text,
    "json": as_json,
    "github": github,
    "operation-outcome": outcome,
}
STREAMED = ("text", "github")
