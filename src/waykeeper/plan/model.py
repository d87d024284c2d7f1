"""One patient's dated plan: the hub that everything below reads."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Literal, NamedTuple

from waykeeper.counting import counted
from waykeeper.findings import Finding, Position
from waykeeper.medicines.model import NamedMedicine, Turned
from waykeeper.pathway.model import Coding, Recognise, Settings, Source
from waykeeper.quickly_made import quickly_made
from waykeeper.timing.model import Anchor, Dates, Moment

# The kinds of planned items. The first seven are the pathway language's; a `medicine` is a row of the patient's
# list that is not a hold (continue, adjust, time: confirm; not classified: review); a `question` asks for a fact.
ItemKind = Literal["visit", "task", "instruction", "hold", "restriction", "gate", "goal", "medicine", "question"]
StatusClass = Literal["open", "busy", "done", "withdrawn", "void"]
NOT_DONE = ("failed", "rejected")  # FHIR R4 task-status: over as well, without being done
MEDICINES: tuple[ItemKind, ...] = ("hold", "medicine")  # what comes from the patient's medicine list

NAMESPACE = uuid.UUID("5f0c1d0e-6d0b-5a57-9c5b-1f3b7a2f9c11")
_NAMESPACE_BYTES = NAMESPACE.bytes
_VARIANT = {digit: "89ab"[int(digit, 16) & 3] for digit in "0123456789abcdef"}  # RFC 9562: the two highest bits are 10


class Key(NamedTuple):
    """The stable name of an item inside a plan: kind, item name, occurrence name ("" for a single one).

    A tuple, because it is looked up some thousand times for each plan.
    """

    kind: str
    item: str
    occurrence: str = ""

    def __str__(self) -> str:
        """`kind/item` or `kind/item/occurrence`."""
        return "/".join(filter(None, self))


@dataclass(frozen=True, slots=True)
class Identifier:
    """A business identifier: system and value."""

    system: str
    value: str

    def __str__(self) -> str:
        """`system|value`, as FHIR search writes it."""
        return f"{self.system}|{self.value}"


def _uuid5(name: str) -> str:
    """`str(uuid.uuid5(NAMESPACE, name))`, without building the object: thousands are made for a caseload."""
    text = hashlib.sha1(_NAMESPACE_BYTES + name.encode(), usedforsecurity=False).hexdigest()
    variant = _VARIANT[text[16]]
    return f"{text[:8]}-{text[8:12]}-5{text[13:16]}-{variant}{text[17:20]}-{text[20:32]}"


@dataclass(frozen=True, slots=True)
class Episode:
    """What makes two plans different: clinic, pathway without version, patient, number of the episode."""

    clinic_url: str
    pathway_url: str
    patient: Identifier
    number: int = 1

    def uuid(self, kind: str, item: str, part: str, occurrence: str = "", round: int = 1) -> str:  # noqa: A002
        """UUIDv5 of everything that identifies a resource; dates, versions and places never enter."""
        who = self.patient
        return _uuid5(
            f"{self.clinic_url}\x1f{self.pathway_url}\x1f{who.system}\x1f{who.value}\x1f{self.number}\x1f"
            f"{kind}\x1f{item}\x1f{part}\x1f{occurrence}\x1f{round}"
        )


@dataclass(frozen=True, slots=True)
class PathwayRef:
    """Which pathway, at which version, made the plan."""

    name: str
    url: str
    version: str
    title: str = ""
    words: Mapping[str, str] = field(default_factory=dict, hash=False)  # language -> what the patient reads instead

    @property
    def canonical(self) -> str:
        """`url|version`."""
        return f"{self.url}|{self.version}"


@dataclass(frozen=True, slots=True)
class PatientRef:
    """Who the plan is for: the identifier of the plan and what letters need. Never more than that."""

    identifier: Identifier
    reference: str = field(default="", compare=False)  # "Patient/1" where it was read from a server, else ""
    name: str = ""
    birth_date: str = ""
    language: str = ""
    test_data: bool = False
    deceased: str = ""  # date or "yes"
    merged: tuple[str, ...] = field(default=(), compare=False)  # "system|value" of records merged with hers


@quickly_made
@dataclass(frozen=True, slots=True)
class Offer:
    """What was proposed about a medicine, and on what that rested: to be laid beside what is proposed later.

    ground     what the rule looked at, a line each, as `MedicineRow.ground`
    clearance  mL/min with two places or "none"; "" where the rule does not look at the kidney
    measured   the day of the newest value that it was computed from
    turns      what of the record would make another proposal (`medicines.record_turns`). No part of the proposal itself
    version    of Waykeeper: another one may put the same question in other words
    """

    decision: str
    missed_days: int | None = None
    last_dose: date | None = None
    last_limit: Moment | None = None
    question: str = ""
    ground: tuple[str, ...] = ()
    clearance: str = ""
    measured: date | None = None
    turns: tuple[str, ...] = field(default=(), compare=False)
    version: str = ""

    @property
    def told(self) -> str:
        """What was proposed, in words."""
        return _with_days(self.decision, self.missed_days)


def _with_days(decision: str, missed_days: int | None) -> str:
    return decision if missed_days is None else f"{decision}, {counted(missed_days, 'day')}"


@dataclass(frozen=True, slots=True)
class Measured:
    """A kidney value of after a plan was made, in one line; `worse` where it is lower than the plan's, or is none."""

    told: str
    worse: bool


@quickly_made
@dataclass(frozen=True, slots=True)
class HoldProposal:
    """The medicine part of a `hold` or `medicine` item; dates are proposals until a prescriber answered.

    fresh   what compile proposed before an answer, or the number of an earlier one, took its place. Never written
    offer   the same in short, with what it rests on, as a plan keeps it; None in a plan of before it was written
    """

    decision: str
    words: str
    reference: str = ""  # the source order or statement
    rule: str = ""
    policy: str = ""
    missed_days: int | None = None
    last_dose: date | None = None
    first_missed: date | None = None
    last_limit: Moment | None = None
    restart: str = ""
    restart_from: date | None = None
    confidence: str = ""
    confirm_by: str = "prescriber"
    question: str = ""
    recognised: bool = True
    ingredients: tuple[str, ...] = ()
    dose_mg: Decimal | None = None  # of one dose, where a case of its rule turns on it
    notes: tuple[str, ...] = ()
    alternatives: tuple[str, ...] = ()
    codes: tuple[Coding, ...] = ()
    arithmetic: tuple[str, ...] = ()  # not in `live`
    answered: HoldAnswer | None = None
    fresh: HoldProposal | None = field(default=None, compare=False)
    offer: Offer | None = field(default=None, compare=False)

    @property
    def medicine(self) -> NamedMedicine:
        """What the order calls its medicine."""
        return NamedMedicine(self.words, self.codes, self.dose_mg, self.ingredients)


@dataclass(frozen=True, slots=True)
class HoldAnswer:
    """What a prescriber decided about one medicine. `missed_days` is None for "continue" and the like.

    medicine   what our own resource named when it was answered: the answer counts for no other. Never written, read
               from the round that was answered, and no part of the answer itself
    offer      what was proposed when it was given, no part of it either; where that is not known, what was proposed by
               the first plan that kept it. None in a plan of before it was written
    """

    decision: str  # "hold", "continue", "adjust", ...
    missed_days: int | None = None
    by: str = ""
    on: date | None = None
    text: str = ""
    last_taken: Moment | None = None
    medicine: NamedMedicine | None = field(default=None, compare=False)
    offer: Offer | None = field(default=None, compare=False)

    @property
    def decided(self) -> tuple[str, int | None]:
        """What was decided, whoever said it and when: two answers that differ in it contradict each other."""
        return self.decision, self.missed_days

    @property
    def told(self) -> str:
        """What was decided, in words."""
        return _with_days(self.decision, self.missed_days)


@quickly_made
@dataclass(frozen=True, slots=True)
class Item:
    """One planned item with all its dates and its reasons."""

    key: Key
    title: str
    phase: str = ""
    who: str = ""
    why: str = ""
    source: Source = Source()
    harm: int = 1
    phrase: str = ""
    window_phrase: str = ""
    dates: Dates = Dates()
    words: Mapping[str, str] = field(default_factory=dict)
    overlays: tuple[str, ...] = ()
    recognise: Recognise = Recognise()
    minutes: int = 0
    valid_for: str = ""
    redo: str = ""
    needs: tuple[Key, ...] = ()
    before: str = ""
    released_by: str = ""
    until: str = ""  # restrictions: the release that ends it
    measure: str = ""
    goal_target: str = ""
    hold: HoldProposal | None = None
    fact: str = ""  # questions: which fact is asked
    asks_for: tuple[Key, ...] = ()  # questions: the items that depend on it
    undecided: tuple[str, ...] = ()  # facts of its conditions that are unknown or contradictory
    origin: Position = Position()  # not in `live`
    arithmetic: tuple[str, ...] = ()  # not in `live`
    changed_at: tuple[Position, ...] = ()  # where other files than that of `origin` changed it; not in `live`

    @property
    def ending_gate(self) -> Key | None:
        """The gate whose release ends a restriction; None where nothing but its own release does."""
        return Key("gate", self.until.removeprefix("release of ").strip()) if self.until else None

    def live(self) -> Item:
        """The item without what the pathway files alone can say."""
        hold = replace(self.hold, arithmetic=()) if self.hold else None
        return replace(self, origin=Position(), arithmetic=(), changed_at=(), hold=hold)


MONDAY_TO_FRIDAY = (0, 1, 2, 3, 4)


@dataclass(frozen=True, slots=True)
class PlanPhase:
    """A phase with its dated span (None while its anchor is awaited)."""

    name: str
    title: str
    days: str = ""
    dates: Dates = Dates()


@dataclass(frozen=True, slots=True)
class Letterhead:
    """What letters and sheets print of the clinic."""

    clinic: str
    telephone: Mapping[str, str] = field(default_factory=dict)
    roles: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Plan:
    """One patient's dated plan. `findings` are what compile noticed; they are not stored.

    weekdays, closed   on which days the clinic is open, and its closed days (holidays, closures) among them, from the
                       plan's first day to its last: so that what reads the plan later names no day on which nobody is
                       there. No weekdays: a plan of before they were written, Monday to Friday then
    cautions           allergies and a pregnancy of the record that it was made with, in its words. None: a plan of
                       before they were written, of which nobody can tell what it was made with
    """

    episode: Episode
    pathway: PathwayRef
    patient: PatientRef
    anchors: tuple[Anchor, ...]
    zone: str
    side: str = ""  # "left", "right" or ""
    anaesthesia: str = "unknown"
    letterhead: Letterhead = Letterhead("")
    overlays: tuple[str, ...] = ()
    settings: Settings = Settings()
    weekdays: tuple[int, ...] = ()
    closed: tuple[date, ...] = ()
    phases: tuple[PlanPhase, ...] = ()
    items: tuple[Item, ...] = ()
    answers: str = ""  # digest of the Answers that went in
    cautions: tuple[str, ...] | None = ()
    waykeeper: str = ""  # version that compiled it
    withdrawn: str = ""  # reason, where the whole plan was withdrawn
    findings: tuple[Finding, ...] = ()
    source_patient: Mapping[str, Any] = field(default_factory=dict, compare=False)

    @property
    def live(self) -> Plan:
        """The plan as the FHIR resources can hold it: without file positions, arithmetic and findings."""
        return replace(self, items=tuple(i.live() for i in self.items), findings=(), source_patient={})

    def is_open(self, day: date) -> bool:
        """True if the clinic is open on a day, as far as the plan knows."""
        return day.weekday() in (self.weekdays or MONDAY_TO_FRIDAY) and day not in self.closed

    def item(self, key: Key) -> Item:
        """The item of a key. Raises KeyError where there is none."""
        for item in self.items:
            if item.key == key:
                return item
        raise KeyError(str(key))

    @property
    def operation_codes(self) -> frozenset[str]:
        """By which codes the record, a booking or an order says that it means this plan's operation."""
        surgery = self.anchor("surgery")
        return surgery.signs("procedure") if surgery is not None else frozenset()

    def anchor(self, name: str) -> Anchor | None:
        """The anchor of a name, or None."""
        return next((a for a in self.anchors if a.name == name), None)

    @property
    def surgery_day(self) -> date | None:
        """The day of surgery, None where it is not known."""
        anchor = self.anchor("surgery")
        return anchor.moment.day if anchor and anchor.moment else None

    @property
    def operation(self) -> str:
        """What its operation is called beside others of the patient: `Total ankle replacement right, episode 2`."""
        name = " ".join(part for part in (self.pathway.title or self.pathway.name, self.side) if part)
        return f"{name}, episode {self.episode.number}"


@dataclass(frozen=True, slots=True)
class Answers:
    """What people recorded on our resources, given to the next compile."""

    holds: Mapping[Key, HoldAnswer] = field(default_factory=dict)
    released: Mapping[str, date] = field(default_factory=dict)  # gate name -> day
    completed: Mapping[Key, date] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)  # fact name -> "yes" | "no"
    rounds: Mapping[Key, int] = field(default_factory=dict)
    proposed: Mapping[Key, HoldAnswer] = field(default_factory=dict)  # answered in an earlier round, asked again


@quickly_made
@dataclass(frozen=True, slots=True)
class ItemState:
    """What stands on the server for one item (its highest round): read from our resources, never guessed.

    status      the FHIR status of its leading resource; `cls` its class by the table of status classes
    done_on     the day on which it was done, None where no day was recorded
    by          who did or withdrew it, as written
    reason      statusReason text of a withdrawal, failure or rejection
    """

    key: Key
    status: str = ""
    cls: StatusClass = "open"
    round: int = 1
    done_on: date | None = None
    owner: str = ""
    by: str = ""
    reason: str = ""
    answer: HoldAnswer | None = None
    fact_answer: str = ""  # questions: "yes" | "no"
    last_taken: Moment | None = None  # holds: last dose actually taken
    stopped_on: date | None = None  # holds: the day of the stop that somebody recorded
    was_to_stop: date | None = None  # holds: last dose of a pause that was taken back before a stop was recorded
    restarted_on: date | None = None
    restart_asked: bool = False  # stopped for a surgery that was cancelled or moved: a restart Task waits
    withdrawn_by_us: bool = False
    references: Mapping[str, str] = field(default_factory=dict)  # part -> "Task/12"
    versions: Mapping[str, str] = field(default_factory=dict)  # part -> versionId
    identifiers: tuple[str, ...] = ()  # "system|value" on our resources: ours, and others' (order numbers)
    contacts: tuple[Contact, ...] = ()
    snoozed_until: date | None = None
    closed_because: str = ""
    closed_by: str = ""
    closed_on: date | None = None  # None where no day was recorded
    earlier: HoldAnswer | None = None  # holds asked again: the answer of the latest earlier round
    not_taken: Moment | None = None  # holds: the latest record that it was not taken
    achieved: str = ""  # goals: the code of Goal.achievementStatus

    @property
    def was_done(self) -> bool:
        """True for what was really done: a Task that failed or was rejected is over as well (FHIR R4 task-status)."""
        return self.cls == "done" and self.status not in NOT_DONE


@dataclass(frozen=True, slots=True)
class Contact:
    """One attempt to reach the patient."""

    on: date
    route: str
    reached: bool
    read_back: bool = False
    by: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Completion:
    """The end of a plan's days, as a person or another system set it; `on` None where no day was recorded."""

    on: date | None = None
    by: str = ""
    because: str = ""  # why what was still open in it was let go


@dataclass(frozen=True, slots=True)
class State:
    """Everything recorded about one plan, by key. Keys absent here have never been stored."""

    items: Mapping[Key, ItemState] = field(default_factory=dict)
    plan_status: str = "active"
    plan_reference: str = ""
    conflicts: tuple[str, ...] = ()  # titles of open conflict Tasks
    deceased_on: date | None = None
    deceased: bool = False
    proven: Mapping[str, str] = field(default_factory=dict)  # anchor -> what proves it now, found since compile
    proven_on: Mapping[str, date] = field(default_factory=dict)  # anchor -> the day that the record has
    other_side: str = ""  # a Procedure of the planned day that names the other side than the plan
    root: ItemState | None = None  # of the plan's own row, where somebody has it in hand or put it off
    listed_since: tuple[str, ...] = ()  # medicines of the patient's list of which the plan says nothing
    measured_since: Mapping[Key, Measured] = field(default_factory=dict)  # medicines that a newer value may change
    noted_since: Mapping[Key, Turned] = field(default_factory=dict)  # medicines of which the record says something else
    cautions_since: tuple[str, ...] = ()  # allergies and a pregnancy that it is not known to be made with
    completed: Completion | None = None  # the CarePlan is `completed`
    # medicines that the answered pause of an operation of before still holds, with what that is called and its day
    paused_before: Mapping[Key, str] = field(default_factory=dict)
    left_over: frozenset[Key] = frozenset()  # what the plan does not want any more and a person has not let go


@quickly_made
@dataclass(frozen=True, slots=True)
class Evidence:
    """An Appointment or Encounter as a fact about what happened, whatever system it came from.

    An `order` is a ServiceRequest for the operation of a plan: no booking, and of nothing else.

    reference    "Appointment/12": unique in a run
    patient      the patient's identifiers and references, any of which may match a plan's
    day          local date in the clinic's zone; None where the source gives none
    links        references and identifiers ("system|value") that it is basedOn or carries
    asked_on     when it was requested, for proposed, pending and waitlist
    fell         "patient", "clinic" or "" for a cancelled one
    remarks      what a scheduler wrote to colleagues beside the service; it may speak of another visit
    appointments encounters: the further names of their Appointments, references and "system|value"
    cancel_reason  it carries a reason why it was cancelled, whatever its status says
    """

    reference: str
    kind: Literal["appointment", "encounter", "order"]
    status: str
    patient: tuple[str, ...] = ()
    day: date | None = None
    start: datetime | None = None
    end: datetime | None = None
    links: tuple[str, ...] = ()
    identifiers: tuple[str, ...] = ()
    service_types: tuple[str, ...] = ()  # "system|code"
    specialties: tuple[str, ...] = ()
    text: str = ""
    practitioner: tuple[str, ...] = ()
    minutes: int | None = None
    telehealth: bool = False
    site: str = ""
    appointment: str = ""  # encounters: the Appointment's reference, or its first name
    asked_on: date | None = None
    fell: str = ""
    ours: bool = False  # carries our identifier: our own proposal, or our proposal turned into the booking
    cancelled_by_us: bool = False
    origin: str = ""  # file:line or server url
    remarks: str = ""
    appointments: tuple[str, ...] = ()
    cancel_reason: bool = False
