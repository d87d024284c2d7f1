"""Withdraw a plan: surgery cancelled, patient transferred or died, a revision restarts the clock."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from waykeeper.verbs import inputs, words
from waykeeper.verbs.words import Holds

if TYPE_CHECKING:
    from waykeeper.exchange.withdrawal_report import Withdrawal


def withdraw(
    *,
    from_: str,
    patient: str,
    reason: str,
    by: str = "",
    episode: int = 1,
    pathway: str = "",
    suspend: bool = False,
    dry_run: bool = False,
    holds: Holds = "test",
    as_of: str | date = "",
) -> Withdrawal:
    """Withdraw a plan by status and with a reason; nothing is deleted, what was done stays.

    suspend   surgery was cancelled and another day is expected: the plan is on hold, and `move` takes it up again
    as_of     the day on which it is said; today in the clinic's zone

    Every medicine that was stopped for this surgery gets a Task that asks for its restart. Booked visits, whoever
    booked them, are listed for a person (`.bookings`). Raises WaykeeperError.
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.withdrawing import withdraw as withdraw_one

    words.positive(episode, "--episode")
    identifier = inputs.identifier_of(patient, "--patient")
    day = inputs.day_of(as_of, "--as-of") if as_of else None
    return withdraw_one(
        Server(from_, kind=holds), identifier, reason, episode=episode, pathway=pathway, by=by.strip(),
        suspended=suspend, dry_run=dry_run, now=datetime.now(UTC), today=day,
    )  # fmt: skip
