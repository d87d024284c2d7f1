"""What a person decided or did -> a change of a standard resource."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from waykeeper.findings import WaykeeperError, finding
from waykeeper.verbs import inputs, words
from waykeeper.verbs.words import Holds

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
    pathway: str = "",
) -> str:
    """Record what a person decided or did about an item. Returns the resource that was written.

    pathway   which, where the patient has several plans with such an item
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.noting import note as write_note

    words.positive(episode, "--episode")
    if days is not None and days < 0:
        raise WaykeeperError(finding("WKC201", f"--days is {days}, it counts from 0"))
    day = checked_note(what, by, on)
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
        pathway=pathway,
    )


def checked_note(what: str, by: str, on: str, names: tuple[str, str] = ("--by", "--on")) -> date | None:
    """The day of a note, None for today. Raises WaykeeperError WKC201: an unknown word, no name, a wrong day."""
    from waykeeper.exchange.noting import WHAT

    words.choice(what, WHAT, "what is noted")
    if not by.strip():
        raise WaykeeperError(finding("WKC201", f"{names[0]} is empty: a note needs the name of who decided or did it"))
    day = inputs.day_of(on, names[1]) if on else None
    if day and what != "snoozed" and day > (datetime.now(UTC) + FARTHEST_EAST).date():
        details = f"{names[1]} is {on}, which has not come yet"
        raise WaykeeperError(finding("WKC201", details, help="Note what happened."))
    return day
