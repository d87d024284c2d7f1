"""What a source of bookings gives: evidence, what was wrong, and how much was read. Values only."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from waykeeper.findings import Finding, Position
from waykeeper.plan.model import Evidence

UNREADABLE = "unreadable"  # a status that nobody knows: the gap report shows the visit as needing review

# When a statement was made, for "the later one wins"; compared as a whole, only with its like.
Made = tuple[int, datetime | None]


@dataclass(frozen=True, slots=True)
class Statement:
    """One row, event or message about one booking.

    booking   what makes two statements speak of one booking; "" where the source does not say
    made      when it was said; None where the source does not say
    revokes   it only takes back a booking that was told elsewhere: alone it says that something is missing
    span      how much later than `made` it may have been said: a time to the minute, or in an hour that is repeated
    keeps     what it does not say stays as it was told before (HL7 v2.5.1 chapter 2: a field that is not valued)
    """

    evidence: Evidence
    place: Position
    booking: str = ""
    made: Made | None = None
    revokes: bool = False
    span: timedelta = timedelta()
    keeps: bool = False


@dataclass(frozen=True, slots=True)
class Bookings:
    """What the sources say now.

    read        rows, events and messages
    superseded  those that a later or an equal one of the same booking replaced
    others      those that are no booking (a blocked time slot)
    revoked     what takes back a booking that none of these sources tells of
    merged      numbers of patients that were made one, a merge each
    """

    evidence: tuple[Evidence, ...] = ()
    findings: tuple[Finding, ...] = ()
    read: int = 0
    superseded: int = 0
    others: int = 0
    revoked: tuple[Statement, ...] = ()
    merged: tuple[tuple[str, ...], ...] = ()

    def __add__(self, more: Bookings) -> Bookings:
        """Both together, in order."""
        return Bookings(
            (*self.evidence, *more.evidence), (*self.findings, *more.findings),
            self.read + more.read, self.superseded + more.superseded, self.others + more.others,
            (*self.revoked, *more.revoked), (*self.merged, *more.merged),
        )  # fmt: skip


@dataclass
class Reading:
    """What piles up while one file is read."""

    statements: list[Statement] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    merged: list[tuple[str, ...]] = field(default_factory=list)
    read: int = 0
    others: int = 0
