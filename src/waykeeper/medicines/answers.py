"""A prescriber's answer is the truth: the row as it was decided, with its days for the surgery at hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import cast, get_args

from waykeeper.medicines.intervals import day_name
from waykeeper.medicines.model import AnswerLike, Decision, MedicineRow
from waykeeper.timing.model import Moment


def without_days(row: MedicineRow) -> MedicineRow:
    """The row with no day of a pause left in it."""
    return replace(row, missed_days=None, last_dose=None, first_missed=None, last_limit=None, window=None)


def row_from_answer(row: MedicineRow, answer: AnswerLike, surgery: Moment) -> MedicineRow:
    """The row as a person decided it. The proposal is kept as an alternative, so that both can be read.

    An answer whose decision is not one of ours asks again, with the words of the answer.
    """
    by = f" by {answer.by}" if answer.by else ""
    if answer.decision not in get_args(Decision) or (answer.decision == "hold" and answer.missed_days is None):
        again = f"the answer {answer.decision!r}{by} has no days or is not known: what is meant?"
        return replace(row, decision="ask", question="; ".join(q for q in (again, row.question) if q))
    decision = cast("Decision", answer.decision)
    proposed = f"proposed: {row.decision}" + (f", N = {row.missed_days}" if row.missed_days is not None else "")
    decided = replace(
        row,
        decision=decision,
        recognised=True,
        answered=decision != "ask",
        question="" if decision != "ask" else row.question,
        notes=(*row.notes, f"decided{by}: {decision}"),
        alternatives=(*row.alternatives, proposed),
        longest_days=None,
    )
    if decision != "hold":
        return replace(without_days(decided), restart_from=None)
    assert answer.missed_days is not None  # an answer "hold" without days has asked again above
    last = surgery.day - timedelta(answer.missed_days + 1)
    line = f"decided{by}: N = {answer.missed_days}, last dose on day -({answer.missed_days} + 1) = {day_name(last)}"
    return replace(
        decided,
        missed_days=answer.missed_days,
        last_dose=last,
        first_missed=last + timedelta(1),
        last_limit=None,
        window=None,
        restart=row.restart or "when the prescriber says so",
        restart_by=row.restart_by or "prescriber",
        arithmetic=(*row.arithmetic, line),
    )
