"""A medicine that was on the list when the plan was made and is not on the newest one, until somebody says why."""

from __future__ import annotations

from collections.abc import Iterable

from waykeeper.medicines import unclear
from waykeeper.plan.model import MEDICINES, Item, ItemState, Plan, State

STOP = "stop"
REASON = "no longer in the plan"  # of a withdrawal by a push or a move; it stays written when somebody answers later


def unlisted(item: Item, plan: Plan, state: State) -> bool:
    """True if a medicine went with its row of the list, and nobody has said whether it was stopped.

    It ends with an answer, with a reason for closing it, and when the medicine is listed again: under the same id,
    under another one by the same words, or with another decision.
    """
    own = state.items.get(item.key)
    return own is not None and not own.closed_because and unanswered(item, plan, state)


def unanswered(item: Item, plan: Plan, state: State) -> bool:
    """True also where it was closed with a reason: by another word of a person that is taken back."""
    own = state.items.get(item.key)
    if item.key.kind not in MEDICINES or own is None or own.reason != REASON:
        return False
    if not own.withdrawn_by_us or _answered(own) or own.restarted_on:
        return False
    return again(item, (i for i in plan.items if i.key != item.key and stands(state.items.get(i.key)))) is None


def settled(own: ItemState | None) -> bool:
    """True if the row went and somebody has answered since."""
    return (
        own is not None and own.reason == REASON and (own.cls == "done" or _answered(own) or bool(own.closed_because))
    )


def _answered(own: ItemState) -> bool:
    """True if somebody said what became of it; of what is listed no more, "stop" says that too."""
    return own.answer is not None and (own.answer.decision == STOP or not unclear(own.answer))


def again(item: Item, listed: Iterable[Item]) -> Item | None:
    """The same medicine among those that are listed: the same row, or the only row of the same words."""
    others = [i for i in listed if i.key.kind in MEDICINES]
    same_row = [i for i in others if i.key.item == item.key.item]
    found = same_row or [i for i in others if words(i) and words(i) == words(item)]
    return found[0] if len(found) == 1 else None


def words(item: Item) -> str:
    """What the list says, without regard to case and spaces; "" where it says nothing."""
    return " ".join(item.hold.words.split()).casefold() if item.hold else ""


def stands(own: ItemState | None) -> bool:
    """True unless it was withdrawn or entered in error; what was never stored stands."""
    return own is None or own.cls not in ("withdrawn", "void")


def listed(plan: Plan, state: State) -> list[Item]:
    """The medicines that a plan stands on; of one that was withdrawn whole all: it may be wanted again."""
    return [i for i in plan.items if i.key.kind in MEDICINES and (plan.withdrawn or stands(state.items.get(i.key)))]
