"""Rows of the medicine engine: one for each row of the patient's list."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from waykeeper.timing.model import Moment

Decision = Literal["continue", "hold", "adjust", "time", "ask", "already stopped"]


@dataclass(frozen=True, slots=True)
class MedicineRow:
    """What is proposed for one medicine. Never an order: `confirm_by` names who must answer.

    decision      hold: no dose on day -missed_days .. -1 nor on day 0 before surgery
    missed_days   integer, only for hold; last dose on day -(missed_days + 1)
    last_limit    an hours rule: last dose at or before this moment
    recognised    False: shown first as "needs review", the release gate stays shut
    restart       the condition in words, without dates; restart_from is the earliest proposal day
    longest_days  the longest plausible hold, for a row that is not classified
    arithmetic    how the dates came about, line by line, for `explain`
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
