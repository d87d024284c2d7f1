"""What a server says that it did not give: issues of an OperationOutcome beside the matches of a search.

FHIR R4, value set issue-type (required for OperationOutcome.issue.code), and Bundle.entry.search.mode `outcome`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

# By their definitions results may be missing, however grave the server thinks that is.
HELD_BACK = ("suppressed", "incomplete")
# They say that something was in the way; as information (how much of a quota is used) they say nothing of the results.
HINDERED = (
    "security", "login", "unknown", "expired", "forbidden", "too-costly", "too-long", "business-rule", "transient",
    "lock-error", "no-store", "exception", "timeout", "throttled",
)  # fmt: skip
WARNED = ("fatal", "error", "warning")


def withheld(outcome: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """The issues of an OperationOutcome by which something that matches may not have been given."""
    issues = outcome.get("issue")
    for issue in issues if isinstance(issues, list) else ():
        if isinstance(issue, Mapping) and _of_results(issue):
            yield issue


def _of_results(issue: Mapping[str, Any]) -> bool:
    code = issue.get("code")
    return code in HELD_BACK or (code in HINDERED and issue.get("severity") in WARNED)
