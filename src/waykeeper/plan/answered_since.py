"""Questions whose answer the plan was not made with: what hangs on them may not be told as it stands.

A plan stores of a condition only which facts were unknown, not which answer keeps an item and which leaves it out. So
nothing is decided here: what compile would make of the answer only compile says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from waykeeper.plan.answers import YES_NO, facts_told, made_with
from waykeeper.plan.model import Item, Key, Plan, State
from waykeeper.timing.model import Standing

# answered: unknown when the plan was made · changed, taken-back: it was made with `before`
# contradicted: it was made with this very answer, and the record says the opposite · unclear: neither yes nor no
# unsure: something was left out by an answer, and a plan of before answers were told does not say by which
How = Literal["answered", "changed", "taken-back", "contradicted", "unclear", "unsure"]
TO_MAKE_AGAIN: tuple[How, ...] = ("answered", "changed", "taken-back")


@dataclass(frozen=True, slots=True)
class Since:
    """One question. `answer` and `before` are "yes", "no" or ""; `items` what hangs on it and is not withdrawn.

    away      items that the answer of before left out, and that another may ask for again
    perhaps   of an unsure one: items that this answer left out, or another one before it
    """

    fact: str
    question: Item
    how: How
    answer: str
    before: str = ""
    by: str = ""
    on: date | None = None
    items: tuple[Key, ...] = ()
    away: tuple[Key, ...] = ()
    perhaps: tuple[Key, ...] = ()

    @property
    def to_make_again(self) -> bool:
        """True where compile knows what to do with it; else a person has to say first what holds."""
        return self.how in TO_MAKE_AGAIN


def answered_since(plan: Plan, state: State, questions: Sequence[Item] | None = None) -> Mapping[str, Since]:
    """The facts whose answer the plan was not made with, or cannot use. Empty for most plans, and found at once.

    questions   the plan's items that ask for a fact, where the caller has them already
    """
    asked = [item for item in plan.items if item.fact] if questions is None else questions
    held = [(item, own) for item in asked if (own := state.items.get(item.key)) is not None]
    told = facts_told(plan.answers) if plan.answers else {}
    digits_only = bool(plan.answers) and not told  # of before the digest told the answers, or made without any
    if not told and not any(own.cls == "done" or own.fact_answer for _, own in held):
        left_out = (_left_out(state, key) for item, _ in held for key in item.asks_for)
        if not digits_only or not any(left_out):
            return {}
    one = _Reading(plan, state, made_with(plan, state))
    return {item.fact: since for item, _ in held if (since := one.of(item)) is not None}


def learnt_since(plan: Plan, state: State) -> tuple[str, ...]:
    """The anchors whose day was awaited or assumed in the plan and is recorded by now: `discharge`, for instance.

    A plan compiled with such a day is another one than stands, so that only a move makes it again, no push.
    """
    open_yet = (Standing.AWAITED, Standing.ASSUMED)
    return tuple(a.name for a in plan.anchors if a.standing in open_yet and a.name in state.proven)


def hanging(since: Iterable[Since]) -> Mapping[Key, tuple[Since, ...]]:
    """What hangs on each item, by item."""
    found: dict[Key, tuple[Since, ...]] = {}
    for one in since:
        for key in one.items:
            found[key] = (*found.get(key, ()), one)
    return found


class _Reading:
    """One plan in which something was answered. `told` None: which answers it was made with, nobody can tell."""

    def __init__(self, plan: Plan, state: State, told: Mapping[str, str] | None) -> None:
        self.state, self.told, self.in_doubt = state, told or {}, told is None
        self.undecided: dict[str, list[Key]] = {}
        for item in plan.items:
            for fact in item.undecided:
                self.undecided.setdefault(fact, []).append(item.key)
        self.known = {item.key for item in plan.items}

    def of(self, question: Item) -> Since | None:
        own = self.state.items[question.key]
        fact, now = question.fact, own.fact_answer if own.fact_answer in YES_NO and own.cls != "void" else ""
        before = self.told.get(fact, "")
        open_still = tuple(k for k in self.undecided.get(fact, ()) if _waits(self.state, k))
        decided = tuple(k for k in question.asks_for if self._stands(k) and k not in open_still)
        away = tuple(k for k in question.asks_for if k in self.known and _left_out(self.state, k))
        how: How
        if now != before:
            if not before and not open_still:  # a fact that the plan knew otherwise, or of before it told its answers
                unsure = bool(away) and self.in_doubt
                return Since(fact, question, "unsure", now, by=own.by, on=own.done_on, perhaps=away) if unsure else None
            how = "answered" if not before else "changed" if now else "taken-back"
        elif not (open_still := self._wanted(open_still)) or not (now or own.was_done):
            return None
        else:
            how = "contradicted" if now else "unclear"
        items = (*open_still, *decided) if before else open_still
        return Since(fact, question, how, now, before, own.by, own.done_on, items, away if how != "answered" else ())

    def _wanted(self, keys: Iterable[Key]) -> tuple[Key, ...]:
        """Without what stands only because a person worked on it: it says what an older plan did not know."""
        return tuple(key for key in keys if key not in self.state.left_over)

    def _stands(self, key: Key) -> bool:
        own = self.state.items.get(key)
        return own is None or own.cls != "withdrawn"


def waits_for(plan: Plan, state: State, fact: str) -> bool:
    """True if something that is still to come hangs on a fact that was not known when the plan was made."""
    return any(fact in item.undecided and _waits(state, item.key) for item in plan.items)


def _waits(state: State, key: Key) -> bool:
    """True for what is still to come: what is done stays as it is, with what was not known when it was written."""
    own = state.items.get(key)
    return own is None or own.cls not in ("withdrawn", "done")


def _left_out(state: State, key: Key) -> bool:
    own = state.items.get(key)
    return own is not None and own.cls == "withdrawn" and own.withdrawn_by_us
