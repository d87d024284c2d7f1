"""What a patient may read about one medicine: dates only where a prescriber has answered."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from waykeeper.medicines import AS_NEEDED, MORNING, NOT_SWALLOWED, RESCUE, as_proposed, unclear
from waykeeper.plan.model import MEDICINES, HoldAnswer, HoldProposal, Item, Plan, State
from waykeeper.plan.unlisted import stands
from waykeeper.timing.model import Moment

# A prescriber's whole answer that says the morning of surgery; any other word beside it may say otherwise.
_ON_THE_MORNING = re.compile(
    r"(?:continue,? (?:and take )?)?also (?:take )?on the (?:morning|day) of surgery(?: with a sip of water)?\.?",
    re.IGNORECASE,
)
Told = Literal["wait", "hold", "continue", "told"]
Morning = Literal["", "too", "ask", "as needed", "use as needed", "rescue"]


@dataclass(frozen=True, slots=True)
class MedicineLine:
    """One medicine as the patient reads it.

    name        the row as a person wrote it; "" where there is none
    told        wait: "do not stop or start this until we call you", nothing else, and no date of any kind;
                hold: the days of an answered hold; continue: keep taking; told: as the prescriber said
    last_dose   the last day with a dose; first_missed .. surgery are the days without one, both included
    limit       an hours rule: last dose at or before this moment, never later than last_dose's day
    morning     of what continues, the morning of surgery: `too` where the rule says so and a prescriber confirmed what
                was proposed, or said it; `as needed` of a pill that is taken only then; else, of pills, `ask`: nobody
                has said it. Of what is not swallowed "", or `use as needed`; `rescue` is used as always, and brought
    too_late    the answer came after the last-dose day: the hold can no longer be met as a whole
    """

    name: str
    told: Told
    last_dose: date | None = None
    first_missed: date | None = None
    surgery: date | None = None
    limit: Moment | None = None
    too_late: bool = False
    by: str = ""
    morning: Morning = ""


def answer_of(item: Item, state: State) -> HoldAnswer | None:
    """The prescriber's answer to an item. Two answers that differ are none: somebody must ask again."""
    planned = item.hold.answered if item.hold else None
    stored = state.items.get(item.key)
    recorded = stored.answer if stored else None
    if planned and recorded and planned.decided != recorded.decided:
        return None
    return recorded or planned


def medicine_line(plan: Plan, item: Item, state: State) -> MedicineLine:
    """What the patient reads about a hold or medicine item. In doubt: wait for the call."""
    hold = item.hold
    name = (hold.words or ", ".join(hold.ingredients)) if hold else ""  # never the title: it says "Pause ..."
    answer = answer_of(item, state)
    if hold is None or answer is None or unclear(answer) or _contradicted(plan, item, state, answer):
        return MedicineLine(name, "wait")
    if answer.decision == "continue":
        return MedicineLine(name, "continue", surgery=plan.surgery_day, by=answer.by, morning=_morning(hold, answer))
    if answer.decision == "hold":
        return _held(plan, hold, answer, name)
    return MedicineLine(name, "told", by=answer.by)


def _contradicted(plan: Plan, item: Item, state: State, answer: HoldAnswer) -> bool:
    """True where the patient was told otherwise: by an earlier operation's pause, or a second line of the same order.

    A plan that is made again may ask about an order that it had a pause of; what was answered stays in it.
    """
    if item.key in state.paused_before:
        return True
    lines = [i for i in plan.items if i.key.item == item.key.item and i.key.kind in MEDICINES and i.key != item.key]
    said = [answer_of(i, state) for i in lines if stands(state.items.get(i.key))]
    return any(other is None or unclear(other) or other.decided != answer.decided for other in said)


def _morning(hold: HoldProposal, answer: HoldAnswer) -> Morning:
    """What is known of the morning of surgery. An answer with words of its own may say otherwise: then a pill asks."""
    swallowed, said = NOT_SWALLOWED not in hold.notes and RESCUE not in hold.notes, answer.text.strip()
    if said:
        return "too" if swallowed and _ON_THE_MORNING.fullmatch(said) else "ask" if swallowed else ""
    if RESCUE in hold.notes:
        return "rescue"
    if AS_NEEDED in hold.notes:
        return "as needed" if swallowed else "use as needed"
    confirmed = hold.recognised and hold.decision == "continue"
    return "too" if confirmed and MORNING in hold.notes else "ask" if swallowed else ""


def _held(plan: Plan, hold: HoldProposal, answer: HoldAnswer, name: str) -> MedicineLine:
    """The days of an answered hold, counted from today's surgery day (the hold is an integer).

    Where the plan's own proposal has the same number, its days are what was decided: with its clock limit, and with the
    earlier last dose of a weekly medicine. Where that proposal was for another day of surgery the two contradict: wait.
    """
    surgery, missed = plan.surgery_day, answer.missed_days
    if surgery is None or missed is None or missed < 0:
        return MedicineLine(name, "wait")
    last, next_dose, limit = surgery - timedelta(days=missed + 1), surgery - timedelta(days=missed), None
    if as_proposed(missed, hold, surgery):
        limit = hold.last_limit if hold.last_limit and hold.last_limit.day <= last else None
        last, next_dose = hold.last_dose or last, hold.first_missed or next_dose
    elif missed == hold.missed_days and hold.last_dose is not None:
        return MedicineLine(name, "wait")
    late = answer.on is not None and answer.on >= next_dose
    return MedicineLine(name, "hold", last, last + timedelta(days=1), surgery, limit, late, answer.by)
