"""Everything that the rows of one proposal share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from waykeeper.medicines.kidney import Clearance, clearance
from waykeeper.medicines.model import AnswerLike
from waykeeper.medicines.patient_facts import known_of
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.record.model import Kidney
from waykeeper.timing.model import Moment, WorkingCalendar

NEEDLE = frozenset({"spinal", "deep-block", "unknown"})  # neuraxial or deep block planned or possible
PLAIN = frozenset({"general", "superficial-block"})


@dataclass(frozen=True, slots=True)
class Context:
    """One patient's surgery as the rules see it."""

    surgery: Moment
    clearance: Clearance
    anaesthesia: str
    bleed: str
    policies: Mapping[str, str]
    calendar: WorkingCalendar
    rules: Ruleset
    answers: Mapping[str, AnswerLike]
    facts: Mapping[str, str]
    stent_ordered: bool = False  # a reason on the list names a stent
    surgeries: tuple[tuple[str, Moment], ...] = ()
    known: Mapping[str, str] = field(default_factory=dict)  # of the patient by the record: class -> what names it

    @property
    def neuraxial(self) -> bool:
        """True where a spinal or epidural needle or a deep block is possible: the longer interval counts."""
        return self.anaesthesia in NEEDLE

    @property
    def stented(self) -> bool:
        """True where the list or the record names a coronary stent."""
        return self.stent_ordered or self.facts.get("stent") == "yes"


def context_for(
    *,
    surgery: Moment,
    kidney: Kidney,
    anaesthesia: str,
    bleed: str,
    policies: Mapping[str, str],
    calendar: WorkingCalendar,
    rules: Ruleset,
    answers: Mapping[str, AnswerLike],
    facts: Mapping[str, str],
    stent_ordered: bool,
    creatinine_days: tuple[int, int],
    surgeries: Sequence[tuple[str, Moment]],
) -> Context:
    """Settle what is open on the safe side: unknown anaesthesia may be spinal, an unknown class is high."""
    if surgery.clock is not None and not surgery.zone:
        surgery = replace(surgery, zone=calendar.zone)
    return Context(
        surgery=surgery,
        clearance=clearance(kidney, surgery.day, *creatinine_days),
        anaesthesia=anaesthesia if anaesthesia in NEEDLE | PLAIN else "unknown",
        bleed="low" if bleed == "low" else "high",
        policies=policies,
        calendar=calendar,
        rules=rules,
        answers=answers,
        facts=facts,
        stent_ordered=stent_ordered,
        surgeries=tuple(surgeries),
        known=known_of(facts, surgery.day),
    )
