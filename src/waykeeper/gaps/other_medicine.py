"""An answer given while the order named another medicine: it is history, and the medicine now is asked about."""

from __future__ import annotations

from waykeeper.counting import counted
from waykeeper.gaps.setting import Setting
from waykeeper.gaps.words import Filling, written
from waykeeper.medicines import NamedMedicine, speaks_for, told_apart
from waykeeper.plan.model import MEDICINES, HoldAnswer, Item, Key


def other_medicine(item: Item, setting: Setting) -> HoldAnswer | None:
    """The answer about another medicine under the same order, while nobody has answered about this one; else None.

    It stands in an earlier round, or under the other kind of item where one of the two pauses and the other does not.
    """
    own = setting.of(item)
    if own.answer is not None or item.hold is None or item.hold.answered is not None:
        return None
    kind = next(kind for kind in MEDICINES if kind != item.key.kind)
    other = setting.state.items.get(Key(kind, item.key.item))
    told = (own.earlier, *((other.answer, other.earlier) if other else ()))
    return next((a for a in told if a is not None and not speaks_for(a, item.hold.medicine)), None)


def told_of_other(item: Item, was: HoldAnswer) -> Filling:
    """That answer for a sentence: what it said, when, by whom, and which medicine it was about."""
    now = item.hold.medicine if item.hold else NamedMedicine(item.title)
    before, after = told_apart(was.medicine or NamedMedicine("another medicine"), now)
    days = "" if was.missed_days is None else f", {counted(was.missed_days, 'day')} without a dose"
    return Filling({
        "was": before,
        "medicine": after,
        "since": f"the answer of {written(was.on)}" if was.on else "the answer",
        "told": f"{was.decision}{days}",
        "told_by": f" by {was.by}" if was.by else "",
    })  # fmt: skip
