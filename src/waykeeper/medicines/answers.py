"""A prescriber's answer is the truth: the row as it was decided, with its days for the surgery at hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Protocol, TypeVar, cast

from waykeeper.counting import counted
from waykeeper.medicines.decisions import PAUSE, WITHOUT_DAYS, unclear, without_reason
from waykeeper.medicines.intervals import day_name
from waykeeper.medicines.model import AnswerLike, Decision, MedicineRow, NamedMedicine
from waykeeper.medicines.outcome import dose_that_counts
from waykeeper.medicines.recognise import recognise
from waykeeper.medicines.ruleset import Ruleset, package_rules
from waykeeper.medicines.same_medicine import speaks_for, told_apart
from waykeeper.record.model import MedicineEntry
from waykeeper.timing.model import Moment

A = TypeVar("A", bound=AnswerLike)
CHANGED = "the medicine under this order changed from "  # how the question about an earlier answer begins


def by_medicine(
    answers: Mapping[str, A], medicines: Sequence[MedicineEntry], rules: Ruleset | None = None
) -> tuple[dict[str, A], dict[str, A]]:
    """Answers by the key of a row: those that speak for the medicine it names now, and those given about another."""
    stand: dict[str, A] = {}
    past: dict[str, A] = {}
    for entry in medicines if answers else ():
        answer = answers.get(entry.key)
        if answer is not None:
            (stand if speaks_for(answer, named(entry, rules)) else past)[entry.key] = answer
    return stand, past


def named(entry: MedicineEntry, rules: Ruleset | None = None) -> NamedMedicine:
    """What a row of the list calls its medicine, with its dose where the rule turns on it."""
    rules = rules or package_rules()
    known = recognise(entry, rules)
    dose = dose_that_counts(entry, known, rules)
    return NamedMedicine(entry.words, entry.codes, dose, known.ingredients or known.named)


def asked_anew(row: MedicineRow, answer: AnswerLike, now: NamedMedicine) -> MedicineRow:
    """The proposal for a medicine whose order named another when it was answered: that answer is told, and not used."""
    was = answer.medicine or NamedMedicine("another medicine")
    days = f", N = {answer.missed_days}" if answer.missed_days is not None else ""
    by = f" by {answer.by}" if answer.by else ""
    since = f" of {day_name(answer.on)}" if answer.on else ""
    before, after = told_apart(was, now)
    asks = (
        f"{CHANGED}{before!r} to {after!r} since the answer{since}"
        f" ({answer.decision}{days}{by}), which does not count for it"
    )
    both = (asks, row.question) if row.recognised else (row.question, asks)  # a row in review begins with why it is
    return replace(row, question="; ".join(q for q in both if q))


def without_days(row: MedicineRow) -> MedicineRow:
    """The row with no day of a pause left in it."""
    return replace(row, missed_days=None, last_dose=None, first_missed=None, last_limit=None, window=None)


class Days(Protocol):
    """The days of a proposed pause: a row of the medicines page, or the hold of a plan."""

    @property
    def missed_days(self) -> int | None: ...
    @property
    def last_dose(self) -> date | None: ...
    @property
    def first_missed(self) -> date | None: ...


def as_proposed(decided: int | None, proposal: Days, surgery: date) -> bool:
    """True if the number that was decided is the proposal's own, for this day of surgery.

    Then the days of the proposal are what was decided: its last dose may lie earlier than the number alone gives (the
    weekday of a weekly dose), and a clock limit stands beside it. Neither is lost by agreeing to the number.
    """
    last, first = proposal.last_dose, proposal.first_missed
    if decided is None or decided != proposal.missed_days or last is None or first is None:
        return False
    return last <= surgery - timedelta(decided + 1) < first


def row_from_answer(row: MedicineRow, answer: AnswerLike, surgery: Moment) -> MedicineRow:
    """The row as a person decided it. The proposal is kept as an alternative, so that both can be read.

    An answer that is not clear asks again, with the words of the answer.
    """
    by = f" by {answer.by}" if answer.by else ""
    if unclear(answer):
        two = answer.missed_days is not None and answer.decision in WITHOUT_DAYS
        days = counted(answer.missed_days or 0, "day")
        why = f"comes with {days} without a dose" if two else "has no days or is not known"
        again = f"the answer {answer.decision!r}{by} {why}: what is meant?"
        if without_reason(answer):
            again = f"the answer {answer.decision!r}, {days}{by} says no reason, and it must not stop without one: why?"
        return replace(row, decision="ask", question="; ".join(q for q in (again, row.question) if q))
    decision = cast("Decision", answer.decision)
    proposed = f"proposed: {row.decision}" + (f", N = {row.missed_days}" if row.missed_days is not None else "")
    decided = replace(
        row,
        decision=decision,
        recognised=True,
        answered=True,
        question="",
        notes=(*row.notes, f"decided{by}: {decision}"),
        alternatives=(*row.alternatives, proposed),
        longest_days=None,
    )
    if decision != PAUSE:
        return replace(without_days(decided), restart_from=None)
    assert answer.missed_days is not None  # an answer "hold" without days has asked again above
    last = surgery.day - timedelta(answer.missed_days + 1)
    decided = replace(
        decided,
        restart=row.restart or "when the prescriber says so",
        restart_by=row.restart_by or "prescriber",
    )
    if as_proposed(answer.missed_days, row, surgery.day):
        return replace(decided, arithmetic=(*row.arithmetic, f"decided{by}: N = {answer.missed_days}, as proposed"))
    line = f"decided{by}: N = {answer.missed_days}, last dose on day -({answer.missed_days} + 1) = {day_name(last)}"
    return replace(
        decided,
        missed_days=answer.missed_days,
        last_dose=last,
        first_missed=last + timedelta(1),
        last_limit=None,
        window=None,
        arithmetic=(*row.arithmetic, line),
    )
