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
    on: str | date = "",
    text: str = "",
    days: int | None = None,
    decision: str = "",
    episode: int = 1,
    pathway: str = "",
) -> str:
    """Record what a person decided or did about an item. Returns the line that says what was written, and where.

    item      its key (`task/clearance-received`), or its name where no other item has it
    what      done, released, answered, corrected, fact, stopped, restarted, taken, contact, no-answer, owner, snoozed,
              closed or reopened; of plan/plan owner, snoozed or completed
    to        the server; `patient` as SYSTEM|VALUE, `by` the person's name
    on        the day on which it was done or decided (snoozed: until which); today in the clinic's zone
    text      fact: yes or no; owner, closed, contact: the words
    days      answered, corrected: days without a dose; without it and without `decision` the proposal is confirmed
    decision  answered, corrected: continue, already stopped ...; contact, no-answer: by which way
    pathway   which, where the patient has several plans with such an item

    Raises WaykeeperError: WKC201 (a word or a day), WKX221 (no such patient, plan or item), WKX240 (does not fit what
    stands), and where the server refuses or does not answer.
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


def checked_note(what: str, by: str, on: str | date, names: tuple[str, str] = ("--by", "--on")) -> date | None:
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
