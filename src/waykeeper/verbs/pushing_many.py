"""Compiled plans of many patients -> a server: a few at a time, with a ledger to go on from."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from waykeeper.findings import WaykeeperError, finding
from waykeeper.verbs import words
from waykeeper.verbs.words import Holds, PathText, as_text

if TYPE_CHECKING:
    from waykeeper.exchange.caseload import CaseloadReport, Outcome

MOST_JOBS = 16  # a server in a clinic is not there for us alone


def push_all(
    *paths: PathText,
    to: str,
    holds: Holds = "test",
    jobs: int = 2,
    ledger: PathText = "",
    errors_to: PathText = "",
    dry_run: bool = False,
    found: Callable[[int], None] = lambda _: None,
    reported: Callable[[Outcome], None] = lambda _: None,
) -> CaseloadReport:
    """Merge the plans of folders, NDJSON files and bundles into a server; what fails does not keep the others.

    jobs        how many patients at the same time; never two plans of one patient
    ledger      a file that keeps what became of each plan: a push that was ended goes on where it was
    errors_to   a folder for the bundles that did not go through, and what was answered
    found       gets the number of plans before the first is sent
    reported    gets each outcome as soon as it is known

    Without a ledger a second push is as right, it only reads each plan again. Raises WaykeeperError where nothing can
    be sent at all.
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.caseload import Caseload, parcels
    from waykeeper.exchange.ledger import Ledger

    words.positive(jobs, "--jobs")
    if jobs > MOST_JOBS:
        raise WaykeeperError(finding("WKC201", f"--jobs is {jobs}, at most {MOST_JOBS} patients at the same time"))
    if "-" in paths:
        remedy = "Write them to a file that ends in .ndjson."
        raise WaykeeperError(finding("WKC203", "standard input is for one plan, many are read twice", help=remedy))
    with Server(to, kind=holds) as first:  # an address or a credential that is wrong is found before anything is read
        base = first.base
    given = list(parcels([as_text(one) for one in paths]))
    found(len(given))
    ledger = as_text(ledger)
    kept = Ledger(ledger, base, datetime.now(UTC).isoformat(timespec="seconds")) if ledger and not dry_run else None
    try:
        work = Caseload(
            lambda: Server(to, kind=holds), base,
            jobs=jobs, dry_run=dry_run, ledger=kept, errors_to=as_text(errors_to), reported=reported,
        )  # fmt: skip
        return work.push(given)
    finally:
        if kept:
            kept.close()
