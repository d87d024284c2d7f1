"""One moved plan as values: what changed, whom to call about it, which bookings do not fit any more."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from waykeeper.findings import Finding
from waykeeper.merge.difference import Row, Turned
from waykeeper.merge.medicine_changes import URGENT, MedicineChange
from waykeeper.timing.model import Moment

Status = Literal["moved", "would be moved", "moved before", "unchanged", "not moved"]
NEAR = 7  # days before surgery within which a medicine that nobody classified is asked the same day; a choice of ours


@dataclass(frozen=True, slots=True)
class Call:
    """One call: whom, by when, and what to say: whole sentences, what is due first comes first.

    Each is called once, by the first day of all that must be said; the patient again, once medicines are decided.
    `note` says why this call comes before another; `again` marks the patient's second call.
    """

    to: str
    role: str
    telephone: str
    by: date
    say: tuple[str, ...]
    urgent: bool = False
    note: str = ""
    again: bool = False


@dataclass(frozen=True, slots=True)
class Rebook:
    """A booking that does not fit the plan any more. Nobody but a person cancels it."""

    item: str
    title: str
    booked: Moment | None
    window: str
    reason: str
    by: date


@dataclass(frozen=True, slots=True)
class MovedPlan:
    """Everything that a coordinator needs about one moved plan.

    codes   check codes of the sheet before and after, "" where nothing may be printed
    rows    every item that is no medicine, each exactly once
    late    those of them whose new day is over before they were done: the new date leaves no time for them
    lost    anchors that a person gave for the old date and that are only assumed now: name, what was given, what is now
    arrival     when the patient comes on the new day, None where nothing is known
    next_open   the clinic's first working day after `as_of`
    """

    patient: str
    identifier: str
    episode: int
    pathway: str
    status: Status
    as_of: date
    surgery_was: Moment | None = None
    surgery: Moment | None = None
    turned: tuple[Turned, ...] = ()
    medicines: tuple[MedicineChange, ...] = ()
    rows: tuple[Row, ...] = ()
    late: tuple[Row, ...] = ()
    rebook: tuple[Rebook, ...] = ()
    calls: tuple[Call, ...] = ()
    codes: tuple[str, str] = ("", "")
    notices: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    reason: str = ""
    by: str = ""
    lost: tuple[tuple[str, Moment, Moment | None], ...] = ()
    arrival: Moment | None = None
    next_open: date | None = None

    def of(self, change: str) -> tuple[Row, ...]:
        """The rows of one word."""
        return tuple(r for r in self.rows if r.change == change)

    @property
    def urgent(self) -> bool:
        """True where a medicine cannot wait until tomorrow, whatever is asked about it."""
        return any(self.answer_by(m) <= self.as_of for m in self.open_medicines)

    @property
    def open_medicines(self) -> tuple[MedicineChange, ...]:
        """Every medicine about which something must be said."""
        return tuple(m for m in self.medicines if m.need != "stands")

    def answer_by(self, change: MedicineChange) -> date:
        """The day by which somebody must answer about a medicine, never before `as_of`.

        A hold that lost its answer does not wait for its due day: it is asked on the next working day. What nobody
        classified, with surgery within a week, or whose last dose comes by the next working day, is asked today.
        """
        soon = max(self.next_open or self.as_of, self.as_of)
        if change.need in (*URGENT, "stays stopped", "unanswered"):
            return self.as_of
        near = self.surgery is not None and self.surgery.day <= self.as_of + timedelta(days=NEAR)
        if (near and change.need in ("ask", "no longer listed")) or (change.last_dose and change.last_dose <= soon):
            return self.as_of
        return max(self.as_of, min(change.due or soon, soon))

    @property
    def place(self) -> tuple[bool, date, str, str]:
        """Where it stands among others: a medicine that is due today first, then the nearest new surgery."""
        day = self.surgery.day if self.surgery else date.min
        return not self.urgent, day, self.patient.lower(), self.identifier


def titled(row: Row) -> str:
    """The title, with the name of its occurrence where the item has several."""
    return f"{row.title}, {row.item.occurrence.replace('-', ' ')}" if row.item.occurrence else row.title
