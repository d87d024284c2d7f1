"""What a person decided or did -> a change of a standard resource."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from waykeeper.findings import WaykeeperError, finding
from waykeeper.verbs import inputs, words
from waykeeper.verbs.words import Holds

if TYPE_CHECKING:
    pass

FARTHEST_EAST = timedelta(hours=14)  # no place on earth is ahead of UTC by more


def note(
    item: str,
    what: str,
    *,
    to: str,
    holds: Holds = "test",
    patient: str,
    by: str,
    on: str = "",
    text: str = "",
    days: int | None = None,
    decision: str = "",
    episode: int = 1,
) -> str:
    """Record what a person decided or did about an item. Returns the resource that was written."""
    from waykeeper.exchange import Server
    from waykeeper.exchange.noting import WHAT
    from waykeeper.exchange.noting import note as write_note

    words.choice(what, WHAT, "what is noted")
    words.positive(episode, "--episode")
    if days is not None and days < 0:
        raise WaykeeperError(finding("WKC201", f"--days is {days}, it counts from 0"))
    if not by.strip():
        raise WaykeeperError(finding("WKC201", "--by is empty: a note needs the name of who decided or did it"))
    day = inputs.day_of(on, "--on") if on else None
    if day and what != "snoozed" and day > (datetime.now(UTC) + FARTHEST_EAST).date():
        raise WaykeeperError(finding("WKC201", f"--on is {on}, which has not come yet", help="Note what happened."))
    identifier = inputs.identifier_of(patient, "--patient")
    return write_note(
        Server(to, kind=holds),
        identifier,
        item,
        what,
        by=by,
        on=day,
        text=text,
        days=days,
        decision=decision,
        episode=episode,
    )
