"""What the comparison of planned and actual says. Values only; every date is a local day of the clinic."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field, fields, replace
from datetime import date, datetime, time
from functools import cached_property
from operator import attrgetter
from typing import Any, Literal

from waykeeper.plan.model import Contact, Episode, Evidence, Key
from waykeeper.quickly_made import quickly_made

Certainty = Literal["linked", "recognised", "guessed", "none"]
Says = Literal["attended", "live", "unconfirmed", "asked", "fell", "nothing", "contradictory"]
# Where an appointment stands in the report; each has exactly one place.
Place = Literal["evidence", "duplicate", "history", "asked", "guess", "nothing", "unplanned", "no plan", "review"]

SCHEMA_VERSION = "1"


@quickly_made
@dataclass(frozen=True, slots=True)
class ItemRef:
    """One planned item among all plans: the episode and the key inside it."""

    episode: Episode
    key: Key

    def __hash__(self) -> int:
        """Of the parts that differ between items of one patient: cheap, and equal for equals."""
        return hash((self.episode.number, self.key.item, self.key.occurrence))

    @property
    def order(self) -> tuple[str, int, str, Key]:
        """Pathway, episode number, clinic and key: what orders the items of one patient."""
        return (self.episode.pathway_url, self.episode.number, self.episode.clinic_url, self.key)


@quickly_made
@dataclass(frozen=True, slots=True)
class Fact:
    """An Appointment and the Encounters of it (or an Encounter alone) as one piece of evidence.

    parts      the sources, the Appointment first
    says       what it counts as on the as-of day, before it is laid beside a visit
    day        the day that counts: the Encounter's where that is what speaks
    why        for `contradictory`: what contradicts, as a name of the table of words
    """

    parts: tuple[Evidence, ...]
    says: Says
    day: date | None = None
    start: datetime | None = None
    why: str = ""

    @property
    def head(self) -> Evidence:
        """The Appointment, else the Encounter."""
        return self.parts[0]

    @property
    def references(self) -> tuple[str, ...]:
        """References of all parts, the head's first."""
        return tuple([p.reference for p in self.parts])


@quickly_made
@dataclass(frozen=True, slots=True)
class Match:
    """Where one piece of evidence belongs, how well that is known, and why.

    item         the visit, or None for unplanned
    score        0 for linked
    reasons      what the score is made of, e.g. ("service type +40", "day inside the window +20")
    candidates   guessed: every visit that it may be, the best first (a tie shows both)
    note         a name of the table of words, where something needs a person ("two patients", "two links")
    """

    fact: Fact
    item: ItemRef | None
    certainty: Certainty
    score: int = 0
    reasons: tuple[str, ...] = ()
    candidates: tuple[ItemRef, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Matches:
    """Each piece of evidence exactly once, in an order that does not depend on the input's."""

    rows: tuple[Match, ...]

    def of(self, item: ItemRef) -> tuple[Match, ...]:
        """What belongs to an item or may belong to it (guesses)."""
        return tuple(m for m in self.rows if m.item == item or item in m.candidates)


@quickly_made
@dataclass(frozen=True, slots=True)
class Verdict:
    """One word about one item, why, and what to do next.

    word          from the table of words
    severity      0 nothing to do, 1 a step that waits, 2 at risk, 3 act today
    reason        one sentence with the dates; next_action is a proposal for a person, never an order
    who, by       role (or owner) that acts, and by which day
    since         first day on which this word holds, where that can be told
    mend_by       the last day on which it can still be mended
    evidence      references that the verdict rests on
    questions     what a person should find out; a guess never changes the word
    history       bookings that fell through or were never confirmed, oldest first
    duplicates    references of further live bookings
    """

    word: str
    gap: bool
    severity: int
    reason: str
    next_action: str = ""
    who: str = ""
    by: date | None = None
    since: date | None = None
    mend_by: date | None = None
    evidence: tuple[str, ...] = ()
    certainty: Certainty = "none"
    day: date | None = None
    questions: tuple[str, ...] = ()
    guesses: tuple[str, ...] = ()
    history: tuple[str, ...] = ()
    duplicates: tuple[str, ...] = ()
    unproven: bool = False


@quickly_made
@dataclass(frozen=True, slots=True)
class Row:
    """One line of the worklist: an item of a patient's plan, or the plan itself (kind `plan`).

    days          the live booking or the attendance (`booked`, `attended`), for the timeline
    contactable   False where nothing may be printed for or sent to the patient (died, withdrew)
    snoozed       a person put it off until `snoozed_until`, which never passes the day it can be mended
    closed        a person closed it with a reason; its word stays, and it is told apart from what is to be done
    let_go        it left the list with its plan, which was completed
    """

    patient: str
    identifier: str
    episode: int
    pathway: str
    item: str
    kind: str
    title: str
    phase: str
    verdict: str
    gap: bool
    severity: int
    harm: int
    since: date | None
    window_start: date | None
    target: date | None
    window_end: date | None
    evidence: tuple[str, ...]
    certainty: Certainty
    reason: str
    next_action: str
    who: str
    by: date | None
    mend_by: date | None = None
    evidence_day: date | None = None
    booked: date | None = None
    attended: date | None = None
    book_from: date | None = None
    late_from: date | None = None
    owner: str = ""
    surgeon: str = ""
    surgery: date | None = None
    questions: tuple[str, ...] = ()
    guesses: tuple[str, ...] = ()
    history: tuple[str, ...] = ()
    duplicates: tuple[str, ...] = ()
    contacts: tuple[Contact, ...] = ()
    lost: bool = False
    snoozed: bool = False
    snoozed_until: date | None = None
    closed: bool = False
    closed_because: str = ""
    closed_by: str = ""
    closed_on: date | None = None
    contactable: bool = True
    unproven: bool = False
    first: bool = (
        False  # listed before all others: an unclassified medicine, a day or side that the theatre contradicts
    )
    served: bool = False  # a question, or a medicine that had ended, of use up to a surgery that took place
    ended: bool = False  # a medicine of which nothing is asked but whether it is really not taken any more
    together: str = ""  # gaps of one plan that one step settles have the same name here (an item of the group)
    let_go: bool = False

    @property
    def name(self) -> tuple[str, int, str, str]:
        """What makes the same row tomorrow: patient, episode, pathway, item."""
        return (self.identifier, self.episode, self.pathway, self.item)

    @property
    def to_do(self) -> bool:
        """True for a gap that somebody has to act on: nobody put it off, nobody closed it."""
        return self.gap and not self.snoozed and not self.closed

    def __reduce__(self) -> tuple[type[Row], tuple[Any, ...]]:
        """How a row goes from one process to another: by its values, several times as fast as by its state."""
        return Row, _values_of_row(self)


@quickly_made
@dataclass(frozen=True, slots=True)
class Placement:
    """One appointment or encounter and its only place in the report.

    place       evidence, duplicate, history, asked (proposed, pending, waitlist), guess, nothing (cancelled before
                it had a start, entered in error), unplanned, no plan (its patient has none), review
    items       the planned item; a guess names each that it may be
    part_of     an Encounter's Appointment, where both are one piece of evidence
    """

    reference: str
    kind: str
    place: Place
    patient: str = ""
    identifier: str = ""
    status: str = ""
    day: date | None = None
    text: str = ""
    site: str = ""
    items: tuple[str, ...] = ()
    certainty: Certainty = "none"
    score: int = 0
    reasons: tuple[str, ...] = ()
    part_of: str = ""
    note: str = ""
    origin: str = ""

    def __reduce__(self) -> tuple[type[Placement], tuple[Any, ...]]:
        """As that of a row."""
        return Placement, _values_of_placement(self)


_values_of_row = attrgetter(*(f.name for f in fields(Row)))
_values_of_placement = attrgetter(*(f.name for f in fields(Placement)))


@dataclass(frozen=True, slots=True)
class TheatreCase:
    """One operation on the theatre list. `patient` holds identifiers and references, as in Evidence.

    start        by the clinic's clock, None where the list says none, or none that can be read
    hour, anaesthesia, status   as the list writes them
    kind         "appointment" or "order" where no list, but a booking or an order tells it; `reference` is which
    certainty    how it is known that such a one is of the operation
    """

    reference: str
    patient: tuple[str, ...]
    day: date
    name: str = ""
    procedure: str = ""
    surgeon: str = ""
    side: str = ""
    origin: str = ""
    start: time | None = None
    anaesthesia: str = ""
    hour: str = ""
    status: str = ""
    kind: Literal["", "appointment", "order"] = ""
    certainty: Certainty = "none"


@dataclass(frozen=True, slots=True)
class UndatedCase:
    """An operation on the theatre list whose day is not set. `said` is what stands in its place: TBC, or nothing."""

    reference: str
    patient: tuple[str, ...]
    said: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True)
class TheatreList:
    """A theatre list that was read, and the days that it covers (both ends included).

    unread   headings of columns that look as if they said what is compared, and are not known
    undated  those that stand and have no day
    """

    cases: tuple[TheatreCase, ...]
    start: date
    end: date
    unread: tuple[str, ...] = ()
    undated: tuple[UndatedCase, ...] = ()

    def undated_of(self, who: Set[str]) -> UndatedCase | None:
        """The first operation without a day of a patient, by every name of hers."""
        return next((case for case in self.undated if not who.isdisjoint(case.patient)), None)

    def covers(self, day: date) -> bool:
        """True if the list that was read would show an operation on this day."""
        return self.start <= day <= self.end


@dataclass(frozen=True, slots=True)
class Booked:
    """What bookings and orders say of one plan's operation. Each is empty where nothing is said.

    case     the booking that is this operation; where there is none, the order for it
    off      what was called off on the plan's day, where nothing stands for that day
    unsure   what may stand for another day than the plan's, or of which nobody can tell whether it stands
    """

    case: TheatreCase | None = None
    off: TheatreCase | None = None
    unsure: tuple[TheatreCase, ...] = ()


NOT_BOOKED = Booked()

# The words of a plan whose days are over.
COMPLETED, TO_COMPLETE = "completed", "to-complete"


@dataclass(frozen=True)
class Worklist:
    """The whole report. `rows` hold every planned item exactly once, `appointments` every source exactly once.

    Those of a large export are read from disk each time they are gone through; what is derived here is kept.

    counts    rows by verdict word; `gaps` and rows by severity are derived by the reader
    asked     a narrowed report: by what (surgeon, procedure, phase, owner, week); empty for the whole
    of_gaps   a narrowed report: how many gaps the whole one has
    left_out  a narrowed report: how many gaps of each severity it leaves out
    lacking   what was not there or could not be read, a sentence each: the list is not whole (every form says so)
    unlike    what a theatre list says that could not be laid beside the plans, a sentence each
    """

    as_of: date
    rows: Sequence[Row]
    appointments: Sequence[Placement] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    asked: Mapping[str, str] = field(default_factory=dict)
    of_gaps: int = 0
    left_out: Mapping[int, int] = field(default_factory=dict)
    lacking: tuple[str, ...] = ()
    unlike: tuple[str, ...] = ()

    def held(self) -> Worklist:
        """The same in memory, for whoever goes through it many times."""
        if isinstance(self.rows, tuple) and isinstance(self.appointments, tuple):
            return self
        return replace(self, rows=tuple(self.rows), appointments=tuple(self.appointments))

    @cached_property
    def gaps(self) -> tuple[Row, ...]:
        """The rows that need somebody, in order; those put off and closed are left to `snoozed` and `closed`."""
        return tuple(r for r in self.rows if r.to_do)

    @cached_property
    def snoozed(self) -> tuple[Row, ...]:
        """Gaps that a person put off and that have not come back yet."""
        return tuple(r for r in self.rows if r.gap and r.snoozed and not r.closed)

    @cached_property
    def closed(self) -> tuple[Row, ...]:
        """Gaps that a person closed with a reason, the latest first; what is measured counts them all the same."""
        found = [r for r in self.rows if r.gap and r.closed and not r.let_go]
        return tuple(sorted(found, key=lambda r: r.closed_on or date.max, reverse=True))

    @cached_property
    def completed(self) -> Mapping[tuple[str, int, str], int]:
        """The plans that were completed, each with the number of gaps that were let go with it.

        They are told in a count: their gaps, one by one, would be told for ever.
        """
        found: dict[tuple[str, int, str], int] = {}
        for row in self.rows:  # the rows of a large export are on disk: once
            # let go also where a filter left the plan's own row out, or it asks about something else
            if row.let_go or (row.kind == "plan" and row.verdict == COMPLETED):
                found[row.name[:3]] = found.get(row.name[:3], 0) + row.let_go
        return found

    @cached_property
    def unplanned(self) -> tuple[Placement, ...]:
        """Appointments that fit no planned visit, or whose patient has no plan."""
        return tuple(p for p in self.appointments if p.place in ("unplanned", "no plan", "review") and not p.part_of)

    @cached_property
    def duplicates(self) -> tuple[Placement, ...]:
        """Further live bookings of a visit that has one."""
        return tuple(p for p in self.appointments if p.place == "duplicate" and not p.part_of)

    @property
    def narrowed(self) -> str:
        """What a narrowed report leaves out, in words; "" for the whole one.

        All that people read shows it; a table holds the rows alone, and JSON says by what (`asked`).
        """
        said = ", ".join(f"{name} {value}" for name, value in self.asked.items())
        return f"only {said}: {len(self.gaps)} of {self.of_gaps} gaps" if said else ""

    @cached_property
    def lost(self) -> tuple[Row, ...]:
        """Rows of patients lost to follow-up by the clinic's setting, with the attempts in `contacts`."""
        return tuple(r for r in self.rows if r.lost and r.gap and not r.closed)


ChangeKind = Literal["new", "back", "closed", "worse", "milder", "other word", "more", "put off", "gone"]


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one row since an earlier report. `before` or `after` is None where there was no such row."""

    kind: ChangeKind
    before: Row | None
    after: Row | None
