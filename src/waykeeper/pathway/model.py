"""A pathway, its overlays and its clinic, as checked values. `check` makes them; nothing else does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from waykeeper.findings import Position
from waykeeper.timing.model import WorkingCalendar

Kind = Literal["visit", "task", "instruction", "hold", "restriction", "gate", "goal"]
Grade = str  # "guideline", "regulation", "study", "label", "common practice", "clinic setting"


@dataclass(frozen=True, slots=True)
class Source:
    """Where an item's rule comes from: a citation and its grade (`common practice` may stand alone)."""

    cite: str = ""
    grade: Grade = "common practice"


@dataclass(frozen=True, slots=True)
class Coding:
    """A code of a system, as FHIR's Coding."""

    system: str
    code: str
    display: str = ""


@dataclass(frozen=True, slots=True)
class Recognise:
    """How a booking made elsewhere is recognised as this visit."""

    service_type: tuple[Coding, ...] = ()
    specialty: tuple[Coding, ...] = ()
    words: tuple[str, ...] = ()
    telehealth: bool = False


@dataclass(frozen=True, slots=True)
class Named:
    """One entry of `at:`: the name of the occurrence ("" for a single one) and its phrase as written."""

    name: str
    phrase: str


@dataclass(frozen=True, slots=True)
class PathwayItem:
    """One item of a pathway file, before any patient. Phrases stay as written; they have been checked."""

    kind: Kind
    name: str
    title: str
    phase: str = ""
    who: str = ""
    why: str = ""
    source: Source = Source()
    harm: int = 1
    only_if: tuple[str, ...] = ()
    unless: tuple[str, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)  # language -> what the patient reads
    at: tuple[Named, ...] = ()
    by: str = ""
    starts: str = ""  # key `from` of tasks and restrictions
    before: str = ""  # an item that needs this one
    valid_for: str = ""
    redo: str = ""  # "on move" or ""
    needs: tuple[str, ...] = ()
    roll: str = ""  # "in window", "earlier" or ""
    window: str = ""
    book_from: str = ""
    minutes: int = 0
    recognise: Recognise = Recognise()
    rules: tuple[str, ...] = ()
    until: str = ""
    at_least: str = ""
    released_by: str = ""
    measure: str = ""
    target: str = ""
    overlays: tuple[str, ...] = ()  # the overlays that made or changed it, in order
    origin: Position = Position()
    part: str = ""  # the part that gave it, "" where the pathway's own file or an overlay did
    changed_at: tuple[Position, ...] = ()  # where other files changed it: the pathway's own, then overlays
    unsourced: bool = False  # an overlay changed a number of it and gave no source of its own


@dataclass(frozen=True, slots=True)
class AnchorRule:
    """How an anchor gets its moment: required, assumed by a phrase, or awaited; and what proves it in a record."""

    name: str
    required: bool = False
    assume: str = ""
    awaited: bool = False
    recognise: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    origin: Position = Position()


@dataclass(frozen=True, slots=True)
class FactRule:
    """A three-valued fact: FHIRPath for yes and no over the list of the record's resources, and the question."""

    name: str
    yes: str = ""
    no: str = ""
    ask: str = ""
    origin: Position = Position()


@dataclass(frozen=True, slots=True)
class Phase:
    """A phase of the pathway and its span as written."""

    name: str
    title: str
    days: str = ""
    words: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PartRef:
    """A part that a pathway includes, directly or through another part."""

    name: str
    version: str
    file: str = ""


@dataclass(frozen=True, slots=True)
class Pathway:
    """A checked pathway with its overlays already applied."""

    name: str
    version: str
    url: str
    title: str
    anchors: tuple[AnchorRule, ...]
    facts: tuple[FactRule, ...]
    phases: tuple[Phase, ...]
    items: tuple[PathwayItem, ...]  # in file order
    overlays: tuple[str, ...] = ()  # names in force, in order
    codes: Mapping[str, tuple[Coding, ...]] = field(default_factory=dict)  # e.g. "procedure" -> codings by side
    file: str = ""
    policies: Mapping[str, str] = field(default_factory=dict)  # medicine policies that overlays set
    parts: tuple[PartRef, ...] = ()  # what it includes, in order
    digest: str = ""  # of its whole content: its own file, the parts, the overlays in force
    words: Mapping[str, str] = field(default_factory=dict)  # language -> what the patient reads in place of the title


@dataclass(frozen=True, slots=True)
class Overlay:
    """What an overlay file says of itself; its changes are in the pathway that `check` gives."""

    name: str
    title: str
    pathways: tuple[str, ...]  # names, or "any"
    version: str = ""
    why: str = ""
    policies: Mapping[str, str] = field(default_factory=dict)
    file: str = ""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a clinic decides. Every default here is the value of the published worked case or common practice."""

    grace_days: int = 7
    booking_lead_days: int = 28
    creatinine_stale_days: int = 30
    creatinine_refused_days: int = 90
    contact_attempts: int = 3
    contact_routes: int = 2
    contact_days: int = 14
    proposed_appointments: bool = True
    recognised_closes: bool = True


MedicineWords = tuple[tuple[str, tuple[str, ...]], ...]  # a word of the clinic -> generic names of the rules


@dataclass(frozen=True, slots=True)
class Clinic:
    """clinic.yaml: who the clinic is, when it works, what it decided."""

    name: str
    url: str  # base of its identifiers, e.g. https://alder-quay.example
    zone: str
    calendar: WorkingCalendar
    telephone: Mapping[str, str] = field(default_factory=dict)  # role -> number
    roles: Mapping[str, str] = field(default_factory=dict)  # role -> title shown
    patient_identifier_system: str = ""
    overlays: tuple[str, ...] = ()
    policies: Mapping[str, str] = field(default_factory=dict)  # medicine policies, e.g. {"glp1": "ask"}
    settings: Settings = Settings()
    file: str = ""
    own_identifier_system: str = ""  # the system of identifiers that the clinic gives
    medicine_words: MedicineWords = ()
