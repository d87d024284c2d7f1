"""An answered medicine whose ground has changed: what is proposed now is not what somebody answered.

The answer stands until a prescriber changes it. This only says that it was given to another proposal.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from waykeeper.medicines import NO_CLEARANCE, NOT_TAKEN, unclear
from waykeeper.plan.holds import answer_in_force, told_last_dose
from waykeeper.plan.model import HoldAnswer, Item, ItemState, Offer


@dataclass(frozen=True, slots=True)
class Proposed:
    """A proposal when it was answered, and the one of today.

    longer   the pause of today would begin before the one that was answered
    days     False where only a question has come, `asks`, and decision and days are those of then
    """

    answer: HoldAnswer
    was: Offer
    now: Offer
    longer: bool
    days: bool
    asks: tuple[str, ...]

    @property
    def came(self) -> tuple[str, ...]:
        """What the proposal of today rests on and that of then did not."""
        return tuple(line for line in self.now.ground if line not in self.was.ground)

    @property
    def went(self) -> tuple[str, ...]:
        """What that of then rested on and that of today does not."""
        return tuple(line for line in self.was.ground if line not in self.now.ground)


def proposed_since(item: Item, own: ItemState, surgery: date | None) -> Proposed | None:
    """What has changed since a medicine was answered; None where nothing has, or the plan is too old to say.

    Nothing has where the answer has the number that is proposed today, or the medicine is not taken any more.
    """
    hold, answer = item.hold, answer_in_force(item, own)
    if hold is None or answer is None or surgery is None:
        return None
    was, now = answer.offer, hold.offer
    if was is None or now is None or was == now:
        return None
    if unclear(answer) or answer.decision in NOT_TAKEN or now.decision in NOT_TAKEN:
        return None
    days = _days(was) != _days(now) and not _is_the_answer(answer, was, now)
    asks = tuple(_new_questions(was, now))
    if not days and not asks:
        return None
    answered = told_last_dose(hold, answer, surgery)
    longer = days and now.last_dose is not None and (answered is None or now.last_dose < answered)
    return Proposed(answer, was, now, longer, days, asks)


def _days(offer: Offer) -> tuple[object, ...]:
    return offer.decision, offer.missed_days, offer.last_dose, offer.last_limit


def _is_the_answer(answer: HoldAnswer, was: Offer, now: Offer) -> bool:
    """True if by now the very number is proposed that was answered before it was."""
    ours = (now.decision, now.missed_days)
    return answer.decided == ours != (was.decision, was.missed_days)


def _new_questions(was: Offer, now: Offer) -> Iterator[str]:
    """What is asked now and was not then, by the same version: another one may say the same in other words.

    What is asked of a kidney value stands in the ground too. A new value that changes no days asks nobody anew; one by
    which there is no clearance any more (the creatinine rises) does: by which days then, no rule knows.
    """
    if was.version != now.version:
        return
    before = was.question.split("; ")
    lost = now.clearance == NO_CLEARANCE and was.clearance not in ("", NO_CLEARANCE)
    for asked in now.question.split("; ") if now.question else ():
        of_the_kidney = any(asked.removeprefix("kidney: ") in line for line in now.ground)
        if asked not in before and (lost or not of_the_kidney):
            yield asked
