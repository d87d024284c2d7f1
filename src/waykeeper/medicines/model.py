"""Rows of the medicine engine: one for each row of the patient's list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Literal, Protocol

from waykeeper.findings import Finding
from waykeeper.medicines.kidney import Clearance
from waykeeper.pathway.model import Coding
from waykeeper.quickly_made import quickly_made
from waykeeper.timing.model import Moment

CONFLICT = "WKM201"  # code and words name different medicines
BY_HOURS = "the limit is counted in hours from the start of surgery: asked again if that hour changes"
Decision = Literal["continue", "hold", "adjust", "time", "ask", "already stopped", "entered in error"]


@quickly_made
@dataclass(frozen=True, slots=True)
class MedicineRow:
    """What is proposed for one medicine. Never an order: `confirm_by` names who must answer.

    decision      hold: no dose on day -missed_days .. -1 nor on day 0 before surgery
    missed_days   integer; last dose on day -(missed_days + 1). `ask` may carry it too: the proposal to ask about
    last_dose     the last day with a dose; a medicine taken weekly keeps its weekday, so it may lie earlier
    last_limit    an hours rule: last dose at or before this moment
    window        a medicine given in cycles: its last dose should lie between these days, both included
    recognised    False: shown first as "needs review", the release gate stays shut. With `ingredients` the medicine is
                  known, but its order contradicts itself, so that no rule may answer
    restart       the condition in words, without dates; restart_from is the earliest proposal day
    restart_by    who owns the restart: every stop has one
    longest_days  the longest plausible hold, for a row that is not classified
    arithmetic    how the dates came about, line by line, for `explain`
    group         the rule's file; a pathway names the groups whose holds it wants
    unlisted      it was dispensed or given, and no order or statement lists it; `handed_over` on that day, and where a
                  number of days was dispensed `supplied_until` the last of them
    statement_of  key of the order of the list that this row only tells of: no second medicine
    ground        what the rule looked at, a line each: the kidney value, the anaesthetic, the policy, the order
    turns         what of the record would make another proposal, a line each (`record_turns`)
    kidney        that kidney value, None where its rule does not look at it
    """

    key: str
    reference: str
    words: str
    decision: Decision
    recognised: bool
    rule: str = ""
    policy: str = ""
    ingredients: tuple[str, ...] = ()
    missed_days: int | None = None
    last_dose: date | None = None
    first_missed: date | None = None
    last_limit: Moment | None = None
    restart: str = ""
    restart_from: date | None = None
    due: date | None = None  # day from which an unanswered proposal is a gap (clinical hazards 30)
    source: str = ""
    year: str = ""
    confidence: str = ""
    confirm_by: str = "prescriber"
    question: str = ""
    notes: tuple[str, ...] = ()
    longest_days: int | None = None
    arithmetic: tuple[str, ...] = ()
    alternatives: tuple[str, ...] = ()  # e.g. both dates of a blanket policy, named
    group: str = ""
    window: tuple[date, date] | None = None
    restart_by: str = ""
    local: bool = False  # drops, creams and the like: hardly any reaches the blood
    on_hold: bool = False  # the list says that it is paused already: no last dose can be late
    dose_mg: Decimal | None = None  # of one dose, where a case of its rule turns on it
    answered: bool = False  # a person decided it: nothing is proposed any more
    unlisted: bool = False
    handed_over: date | None = None
    supplied_until: date | None = None
    statement_of: str = ""
    ground: tuple[str, ...] = ()
    turns: tuple[str, ...] = ()
    kidney: Clearance | None = None
    findings: tuple[Finding, ...] = field(default=(), compare=False)

    @property
    def counted(self) -> bool:
        """False for an entry made in error: it was never ordered and never taken."""
        return self.decision != "entered in error"

    @property
    def doubted(self) -> bool:
        """True for a medicine that is named, but whose order contradicts itself: it needs review, it is not unknown."""
        return not self.recognised and (bool(self.ingredients) or any(f.code == CONFLICT for f in self.findings))

    @property
    def stops(self) -> bool:
        """True where the proposal, or what it asks about, pauses the medicine: such a row needs a restart."""
        return self.missed_days is not None or self.last_limit is not None or self.window is not None


@dataclass(frozen=True, slots=True)
class NamedMedicine:
    """What an order calls its medicine: the text as a person wrote it, and the codes.

    dose_mg   milligrams of one dose, only where a case of its rule turns on them; None where that is not so, not told,
              or was not written down yet
    ingredients  the substances that were recognised, by name or by what the Medication lists; () where that is not told
    """

    words: str
    codes: tuple[Coding, ...] = ()
    dose_mg: Decimal | None = None
    ingredients: tuple[str, ...] = ()


class AnswerLike(Protocol):
    """What a person decided about one medicine; `plan.model.HoldAnswer` is one.

    decision  "hold", "continue", "adjust", ...; "indication" answers only why it is taken, in `text`
    medicine  what the order named when it was answered; None where that is not known
    """

    @property
    def decision(self) -> str: ...
    @property
    def missed_days(self) -> int | None: ...
    @property
    def text(self) -> str: ...
    @property
    def by(self) -> str: ...
    @property
    def on(self) -> date | None: ...
    @property
    def last_taken(self) -> Moment | None: ...
    @property
    def medicine(self) -> NamedMedicine | None: ...


@dataclass(frozen=True, slots=True)
class Ingredient:
    """One substance of the rule files: how it is written and coded."""

    name: str
    group: str
    rxnorm: str = ""
    unsure: bool = False  # the code is from memory: it is shown, but it does not classify alone
    names: tuple[str, ...] = ()
    salts: tuple[str, ...] = ()
    weekly: frozenset[str] = frozenset()  # forms in which it is only ever taken once a week, "unknown" among them
    daily_harm: str = ""  # what is known to happen where it is taken daily all the same
    tags: frozenset[str] = frozenset()  # what pair questions and daily sums ask for, e.g. "opioid"


@dataclass(frozen=True, slots=True)
class Case:
    """One line of a rule: if all conditions hold, this is proposed. Conditions: see README.md."""

    when: Mapping[str, tuple[str, ...]]
    decision: str
    missed_days: int | None = None
    hours: int | None = None
    cycle_days: tuple[int, int] | None = None
    cycle_months: int | None = None
    question: str = ""
    notes: tuple[str, ...] = ()
    others: Mapping[str, int] = field(default_factory=dict)  # other intervals shown beside: label -> missed days
    longest_days: int | None = None
    restart: str = ""
    restart_days: int | None = None
    source: str = ""
    year: str = ""
    confidence: str = ""
    confirm_by: str = ""
    morning: bool = False  # what continues is taken also on the morning of surgery


@dataclass(frozen=True, slots=True)
class HalfLife:
    """Half-lives in hours, and what practice lists say in missed days."""

    low: Fraction
    typical: Fraction
    high: Fraction
    lists: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Rule:
    """What is proposed for an ingredient (or, with `together`, for a combination of all of them)."""

    name: str
    group: str
    ingredients: tuple[str, ...]
    cases: tuple[Case, ...]
    neuraxial: tuple[Case, ...] = ()
    asks: tuple[Case, ...] = ()  # questions that are asked beside whatever case holds, each where its conditions do
    together: bool = False
    never_stop: bool = False
    policy: str = ""  # the clinic's policy that decides between cases
    half_life: HalfLife | None = None
    restart: str = ""
    restart_by: str = "prescriber"
    restart_days: int | None = None
    source: str = ""
    year: str = ""
    confidence: str = ""
    tests: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Turned:
    """What came onto the record and what it takes back, of what a proposal turns on, as it is written there."""

    came: tuple[str, ...] = ()
    went: tuple[str, ...] = ()
