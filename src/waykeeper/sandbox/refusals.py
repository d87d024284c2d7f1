"""What the sandbox refuses: one code for each reason, with its HTTP status and the FHIR issue type.

Refusal     a request is answered with an OperationOutcome; the catalogue's entry says why and what to do
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

# code: (HTTP status, OperationOutcome.issue.code); texts are in findings/codes/sandbox.yaml
REFUSALS: dict[str, tuple[int, str]] = {
    "WKS201": (400, "structure"),  # no JSON
    "WKS202": (415, "not-supported"),  # another format sent
    "WKS203": (406, "not-supported"),  # another format asked for
    "WKS204": (404, "not-supported"),  # type not held
    "WKS205": (404, "not-found"),  # nothing under this id
    "WKS206": (410, "deleted"),  # deleted
    "WKS207": (400, "invalid"),  # body against url
    "WKS208": (400, "value"),  # id not allowed
    "WKS209": (422, "invalid"),  # validator's refusal
    "WKS210": (400, "not-found"),  # dangling reference
    "WKS211": (400, "value"),  # absolute reference
    "WKS212": (409, "conflict"),  # still referenced
    "WKS213": (412, "conflict"),  # stale or absent version
    "WKS214": (412, "multiple-matches"),  # condition matches several
    "WKS215": (400, "not-supported"),  # unknown search parameter
    "WKS216": (400, "value"),  # bad search value
    "WKS217": (400, "required"),  # empty condition
    "WKS218": (410, "expired"),  # page no longer held
    "WKS219": (400, "value"),  # bad patch
    "WKS220": (400, "invalid"),  # bundle rule
    "WKS221": (400, "duplicate"),  # one identity twice
    "WKS222": (405, "not-supported"),  # interaction not offered
    "WKS223": (412, "duplicate"),  # If-None-Match: * and it exists
    "WKS224": (413, "too-long"),  # body too large
    "WKS225": (403, "forbidden"),  # another host name, read-only type
    "WKS226": (400, "value"),  # malformed header
    "WKS227": (500, "exception"),  # a fault of the sandbox
    "WKS228": (404, "not-found"),  # a conditional reference that matches nothing
    "WKS229": (400, "invalid"),  # an export that is not offered
    "WKS230": (404, "not-found"),  # no such export
}


@dataclass(frozen=True, slots=True)
class Issue:
    """One issue of an OperationOutcome: what was found, where (FHIRPath), how grave, the rule's code."""

    details: str
    expression: str = ""
    severity: str = "error"
    code: str = ""


class Refusal(Exception):  # noqa: N818 - an answer, not a fault
    """A request that is refused; `issues` say why, `code` gives the HTTP status."""

    def __init__(self, code: str, details: str, expression: str = "", issues: Sequence[Issue] = ()) -> None:
        """Keep the reason; several issues where a resource has several faults."""
        self.code = code
        self.status, self.issue_type = REFUSALS[code]
        self.issues = tuple(issues) or (Issue(details, expression, code=code),)
        super().__init__(details)

    def at(self, prefix: str) -> Refusal:
        """The same refusal with its places under a bundle's entry."""
        moved = [
            Issue(one.details, f"{prefix}{_inside(one.expression)}", one.severity, one.code) for one in self.issues
        ]
        return Refusal(self.code, str(self), issues=moved)

    def outcome(self) -> dict[str, Any]:
        """The OperationOutcome."""
        return {"resourceType": "OperationOutcome", "issue": [self._issue(one) for one in self.issues]}

    def _issue(self, one: Issue) -> dict[str, Any]:
        shown: dict[str, Any] = {
            "severity": one.severity,
            "code": self.issue_type,
            "details": {"coding": [{"code": one.code or self.code}], "text": one.details},
            "diagnostics": f"{one.code or self.code}: {one.details}",
        }
        if one.expression:
            shown["expression"] = [one.expression]
        return shown


def _inside(expression: str) -> str:
    """A place as it stands in an entry; one that begins with a type is a place in the entry's resource."""
    kind, _, rest = expression.partition(".")
    if kind[:1].isupper():
        return f".resource.{rest}" if rest else ".resource"
    return f".{expression}" if expression else ""


def all_ok(details: str) -> dict[str, Any]:
    """An OperationOutcome that says that it was done (for `Prefer: return=OperationOutcome`)."""
    issue = {"severity": "information", "code": "informational", "details": {"text": details}, "diagnostics": details}
    return {"resourceType": "OperationOutcome", "issue": [issue]}
