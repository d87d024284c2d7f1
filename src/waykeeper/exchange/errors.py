"""What can go wrong with another system.

WaykeeperError
├── NoAnswerError        it was sent and no answer came: it may have been applied; run again (exit 3)
│   └── NotProvenError      it was carried out, and what stands could not be read back
├── BadAnswerError       an answer came and it is a refusal, or cannot be understood (exit 1; a 401: exit 2)
│   ├── EntryRefusedError   a success that holds a refusal: part of it may stand
│   └── DroppedError        fewer entries were answered than were sent: the others may be lost
└── CannotSendError      nothing was sent: address, credentials or plan do not allow it (exit 2)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.findings import Finding, WaykeeperError, finding


class NoAnswerError(WaykeeperError):
    """Sent, but no answer came."""

    exit_code = 3


class NotProvenError(NoAnswerError):
    """Carried out, and what stands could not be read back: a refusal to read is none of what was written."""


class BadAnswerError(WaykeeperError):
    """The server refused, or answered what cannot be understood. `status` is the HTTP status."""

    exit_code = 1

    def __init__(
        self, findings: Finding | Sequence[Finding], status: int = 0, outcome: Mapping[str, Any] | None = None
    ) -> None:
        """Keep the HTTP status and the OperationOutcome beside the findings."""
        super().__init__(findings)
        self.status, self.outcome = status, outcome or {}
        if status == UNAUTHORISED:
            self.exit_code = CannotSendError.exit_code

    def about(self, findings: Sequence[Finding]) -> BadAnswerError:
        """The same refusal, its findings now naming more."""
        WaykeeperError.__init__(self, findings)
        return self


class EntryRefusedError(BadAnswerError):
    """A transaction that was answered as a success, with the refusal of an entry in it; `pause` in seconds."""

    def __init__(self, findings: Finding | Sequence[Finding], status: int, pause: float) -> None:
        """Keep how long the server wants to be left alone."""
        super().__init__(findings, status)
        self.pause = pause


class DroppedError(BadAnswerError):
    """A bundle of which not every entry was answered."""


class CannotSendError(WaykeeperError):
    """Nothing was sent."""

    exit_code = 2


def unusable(details: str, remedy: str = "") -> CannotSendError:
    """Credentials that cannot be used, as an exception."""
    return CannotSendError(finding("WKX105", details, help=remedy))


UNAUTHORISED = 401
FAILED = 500
GRAVE = ("fatal", "error")
# A server or what stands before it gave up waiting: as with a broken connection it may have been carried out.
GAVE_UP = (408, 502, 504)
# HTTP status -> code of the catalogue; what is not here is WKX209
STATUS_CODES: Mapping[int, str] = {
    400: "WKX201", 401: "WKX202", 403: "WKX202", 404: "WKX203", 405: "WKX203", 409: "WKX204", 410: "WKX203",
    412: "WKX205", 413: "WKX206", 415: "WKX201", 422: "WKX201", 429: "WKX207", 500: "WKX208", 503: "WKX207",
}  # fmt: skip


def refusal(status: int, what: str, document: Any, kind: str = "") -> BadAnswerError | NoAnswerError:
    """The refusal of a request as an exception, with what the OperationOutcome says.

    kind   the content type of an answer that is no JSON
    """
    outcome = document if isinstance(document, Mapping) and document.get("resourceType") == "OperationOutcome" else {}
    said = "; ".join(issue_texts(outcome)) or (f"answered with {kind}" if kind else "no reason given")
    if status in GAVE_UP:
        return NoAnswerError(finding("WKX301", f"{what}: {status}, {said}"))
    return BadAnswerError(finding(STATUS_CODES.get(status, "WKX209"), f"{what}: {status}, {said}"), status, outcome)


def understood(error: BadAnswerError) -> bool:
    """False where a change may have been carried out although the answer is none: a success nobody can read, a 500."""
    return error.status != FAILED and not 200 <= error.status < 300


def issue_texts(outcome: Mapping[str, Any]) -> list[str]:
    """What the issues of an OperationOutcome say, errors only where there are any; at most five."""
    issues = issues_of(outcome)
    return words_of([i for i in issues if i.get("severity") in GRAVE] or issues)


def grave(outcome: Mapping[str, Any]) -> list[str]:
    """What the issues of severity error or fatal say; at most five."""
    return words_of([i for i in issues_of(outcome) if i.get("severity") in GRAVE])


def issues_of(outcome: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The issues, however a server in trouble may have written them."""
    told = outcome.get("issue")
    return [i for i in told if isinstance(i, Mapping)] if isinstance(told, list) else []


def words_of(issues: Sequence[Mapping[str, Any]]) -> list[str]:
    """What issues say, each with the element that it names; at most five."""
    texts = []
    for issue in issues[:5]:
        details = issue.get("details")
        text = details.get("text") if isinstance(details, Mapping) else details
        said = issue.get("diagnostics") or text or issue.get("code") or ""
        places = issue.get("expression") or issue.get("location")
        place = next(iter(places), "") if isinstance(places, list) else places or ""
        texts.append(" ".join(f"{said}{f' [{place}]' if place else ''}".split())[:400])
    return texts
