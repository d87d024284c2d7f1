"""What a note says where the plan was not made with an answer: nothing that hangs on it changes by itself."""

from __future__ import annotations

from waykeeper.plan.answers import facts_told
from waykeeper.plan.model import Item, Plan

MAKE_AGAIN = "; the plan was not made with this answer: make it again (compile --from) and push it"


def to_make_again(plan: Plan, item: Item, what: str, answer: str) -> str:
    """The end of the line that says what was written; "" where the plan knows this answer, or it is none."""
    knows = what != "fact" or facts_told(plan.answers).get(item.fact) == answer
    return "" if knows else MAKE_AGAIN
