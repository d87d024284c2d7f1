"""The words of an answer, and which of them say what becomes of a medicine: the one place that knows them."""

from __future__ import annotations

from waykeeper.medicines.model import AnswerLike, Decision

# A pause says its days, every other decision says none. Any other word asks: "stop" says neither from which day nor
# whether the medicine is ever taken again.
PAUSE = "hold"
WITHOUT_DAYS: tuple[Decision, ...] = ("continue", "adjust", "time", "already stopped", "entered in error")
NOT_TAKEN = frozenset({"already stopped", "entered in error"})  # nobody takes it, so nothing pauses
REASON_ONLY = "indication"  # answers only why a medicine is taken


def unclear(answer: AnswerLike) -> bool:
    """True if an answer does not say whether, or from which day, the medicine pauses, or says two things at once."""
    if answer.decision == PAUSE:
        return answer.missed_days is None
    return answer.missed_days is not None or answer.decision not in WITHOUT_DAYS


def settles(answer: AnswerLike | None) -> bool:
    """True if somebody answered, and it is clear what was meant."""
    return answer is not None and not unclear(answer)
