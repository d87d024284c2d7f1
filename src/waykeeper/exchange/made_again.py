"""What a note says where the plan was not made with an answer: nothing that hangs on it changes by itself."""

from __future__ import annotations

from waykeeper.gaps.answered import by_command
from waykeeper.plan.answered_since import waits_for
from waykeeper.plan.answers import made_with
from waykeeper.plan.model import Item, Plan, State

MAKE_AGAIN = "; the plan was not made with this answer: make it again {}"
CANNOT_TELL = "; the plan does not say whether it was made with this answer: if it was not, make it again {}"


def to_make_again(plan: Plan, state: State, item: Item, what: str, answer: str) -> str:
    """The end of the line that says what was written; "" where the plan knows this answer, or it is none.

    state   as it stood before the note

    A plan of before answers were told has digits alone. Where they do not say with what it was made, and nothing that
    hangs on the answer is open, it was made with one, and nobody can tell with which.
    """
    if what != "fact":
        return ""
    told, how = made_with(plan, state), by_command(plan, state)
    if told is None and not waits_for(plan, state, item.fact):
        return CANNOT_TELL.format(how)
    return "" if told and told.get(item.fact) == answer else MAKE_AGAIN.format(how)
