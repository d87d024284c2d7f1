"""Gaps of a server's plans -> DetectedIssues and Tasks on that server."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.verbs.comparing import gaps
from waykeeper.verbs.words import Holds, PathText, is_url

if TYPE_CHECKING:
    from waykeeper.exchange.report import PushReport


def issues(
    *sources: PathText,
    to: str,
    holds: Holds = "test",
    as_of: str | date | None = None,
    theatre_list: PathText = "",
    mapping: PathText = "",
    dry_run: bool = False,
    reported: Callable[[PushReport], None] = lambda _: None,
    noticed: Callable[[tuple[Finding, ...]], None] = lambda _: None,
) -> tuple[PushReport, ...]:
    """Write the gaps of a server's plans to it; a gap that is gone closes what was written of it.

    to        the server: its plans are compared, and it is written to
    sources   further bookings, as in `gaps`
    reported  gets each plan's report as soon as it is sent
    noticed   gets what was noticed while the plans and bookings were read, before anything is sent

    The whole report is written, never a narrowed one: what is not in it would be closed.
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.issues import push_all_issues

    if not is_url(to):
        help_text = "Give the FHIR base address, https://host/fhir."
        raise WaykeeperError(finding("WKC201", f"--to is {to!r}, which is no address of a server", help=help_text))
    found = gaps(to, *sources, as_of=as_of, theatre_list=theatre_list, mapping=mapping)
    noticed(found.findings)
    server, now = Server(to, kind=holds), datetime.now(UTC)
    reports = []
    for one in push_all_issues(server, found.plans, found.whole, dry_run=dry_run, now=now):
        reports.append(one)
        reported(one)
    return tuple(reports)
