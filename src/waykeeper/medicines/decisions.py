"""The words of an answer, and which of them say what becomes of a medicine: the one place that knows them."""

from __future__ import annotations

import re

from waykeeper.medicines.model import AnswerLike, Decision
from waykeeper.medicines.ruleset import must_not_stop

# A pause says its days, every other decision says none. Any other word asks: "stop" says neither from which day nor
# whether the medicine is ever taken again.
PAUSE = "hold"
WITHOUT_DAYS: tuple[Decision, ...] = ("continue", "adjust", "time", "already stopped", "entered in error")
NOT_TAKEN = frozenset({"already stopped", "entered in error"})  # nobody takes it, so nothing pauses
REASON_ONLY = "indication"  # answers only why a medicine is taken
HOLD_WORDS = re.compile(r"hold (?:for )?(\d{1,3}) days?", re.IGNORECASE)


def without_reason(answer: AnswerLike) -> bool:
    """True if an answer pauses what must not stop and says no word why: a slip of the row would hurt too much.

    A beta blocker or clonidine that ends makes the pressure rebound, a steroid or the insulin of type 1 diabetes kills
    (clinical hazards 3, 16, 17). Which medicine was meant is what our own resource named when it was answered.
    """
    named = answer.medicine.ingredients if answer.medicine is not None else ()
    paused = answer.decision == PAUSE and answer.missed_days is not None
    words = answer.text.strip()
    said = words.casefold() not in ("", PAUSE) and not HOLD_WORDS.fullmatch(words)
    return paused and not said and not must_not_stop().isdisjoint(named)


def unclear(answer: AnswerLike) -> bool:
    """True if an answer does not say whether, or from which day, the medicine pauses, or says two things at once.

    A pause of what must not stop is unclear too until its reason is written down.
    """
    if answer.decision == PAUSE:
        return answer.missed_days is None or without_reason(answer)
    return answer.missed_days is not None or answer.decision not in WITHOUT_DAYS


def settles(answer: AnswerLike | None) -> bool:
    """True if somebody answered, and it is clear what was meant."""
    return answer is not None and not unclear(answer)
