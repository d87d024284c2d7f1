"""A caseload out of a server by its bulk export, as NDJSON in a folder that `gaps` reads."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from waykeeper.findings import WaykeeperError, did_you_mean, finding
from waykeeper.verbs.words import PathText, as_text

if TYPE_CHECKING:
    from waykeeper.exchange.bulk import Exported

ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")  # FHIR R4 datatypes, id
TYPE = re.compile(r"[A-Z][A-Za-z]{2,50}")
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
LONGEST = 7 * 24 * 3600  # seconds


def export(
    from_: str, output: PathText, *, group: str = "", types: Sequence[str] = (), since: str = "", wait: float = 3600,
    told: Callable[[str], None] = lambda _: None,
) -> Exported:  # fmt: skip
    """Export what Waykeeper reads, of the whole system or of a group's patients, into a folder of NDJSON files.

    output   an empty folder or a new one; one in which the same export was broken off: it goes on
    types    FHIR types; those that Waykeeper reads where none is given
    since    an instant: only what changed later
    wait     seconds after which a server that is still working is left alone; the same call takes it up again
    told     gets what happens, as it happens

    Raises WaykeeperError: WKX120 (folder), WKX121 (not ready), WKX122 (incomplete), WKX123 (not offered).
    """
    group = group.removeprefix("Group/")
    if group and not ID.fullmatch(group):
        raise WaykeeperError(finding("WKC201", "--group is no id of a Group", help="Give its id, as in Group/ID."))
    if since:
        _instant(since)
    if not 0 <= wait <= LONGEST:
        raise WaykeeperError(finding("WKC201", f"--wait is {wait:g}, it is seconds from 0 to {LONGEST}"))
    from waykeeper.exchange import Server
    from waykeeper.exchange.bulk import TYPES, Wanted
    from waykeeper.exchange.bulk import export as run

    chosen = tuple(dict.fromkeys(one.strip() for text in types for one in text.split(",")))
    for one in chosen:
        if not TYPE.fullmatch(one):
            raise WaykeeperError(finding("WKC201", f"--type is {one!r}, no FHIR type", help=did_you_mean(one, TYPES)))
    with Server(from_) as server:
        return run(server, as_text(output), Wanted(group, chosen or TYPES, since), wait=wait, told=told)


def _instant(text: str) -> None:
    try:
        if not INSTANT.fullmatch(text):
            raise ValueError
        datetime.fromisoformat(text)
    except ValueError:
        help_text = "Write it with its zone: 2026-03-01T06:00:00Z."
        raise WaykeeperError(finding("WKC201", f"--since is {text!r}, which is no instant", help=help_text)) from None
