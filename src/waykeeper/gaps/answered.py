"""What is said of a question whose answer the plan was not made with, and of what hangs on it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from waykeeper.counting import counted
from waykeeper.gaps.setting import Setting, asked, told_of
from waykeeper.gaps.words import Filling, sentence
from waykeeper.plan.answered_since import Since, learnt_since
from waykeeper.plan.model import Item, Key, Plan, State

_NAMED = 3  # titles in a sentence; the rest is counted
_LONG = timedelta(days=30)  # after which an item whose day is over makes nothing graver; a reading of our own
_SERIOUS = 2  # harm from which the plan is made again at once: an allergy, not a letter for the employer


def to_make_again(on: Setting) -> list[Since]:
    """The questions because of which the plan is to be made again: something still to come hangs on each."""
    return [one for one in on.since.values() if one.to_make_again and (one.away or _ahead(one, on))]


def in_doubt(on: Setting) -> list[Since]:
    """The answers of which an older plan does not say whether it was made with them, where one left something out."""
    return [one for one in on.since.values() if one.how == "unsure"]


def doubts(found: Iterable[Since], on: Setting) -> Filling:
    """What the plan's own row says of those."""
    since = list(found)
    return Filling({
        "in_doubt": " ".join(told_of(one) for one in since),
        "perhaps": _named(on.items[key] for one in since for key in one.perhaps),
        "by_command": by_command(on.plan, on.state),
    })  # fmt: skip


def filling(found: Iterable[Since], on: Setting) -> Filling:
    """What the plan's own row says of them. `act_on` is the first day that a grave item needs to be right."""
    since = list(found)
    items = list({i.key: i for one in since for i in _ahead(one, on)}.values())
    away = [on.items[key] for one in since for key in one.away]
    grave = [i for i in (*items, *away) if i.harm >= _SERIOUS and not _long_over(i, on)]
    serious = [day for i in grave if (day := _acts_from(i)) is not None]
    hang = f" {counted(len(items), 'step')} still {'hangs' if len(items) == 1 else 'hang'} on it: {_named(items)}."
    return Filling({
        "told": " ".join(told_of(one) for one in since), "act_on": min(serious, default=None),
        "hanging": (hang if items else "") + (f" Left out by the answer of before: {_named(away)}." if away else ""),
        "answered_on": min((one.on for one in since if one.on is not None), default=None),
        "by_command": by_command(on.plan, on.state),
    })  # fmt: skip


def by_command(plan: Plan, state: State) -> str:
    """By which command the plan is made again: a push does not take over a day that was learnt since, a move does."""
    learnt = learnt_since(plan, state)
    return sentence("actions", "by_move" if learnt else "by_push", {"learnt": " and ".join(learnt)})


def move_first(plan: Plan, state: State) -> str:
    """What is to be done before a push where a day was learnt since that only a move takes over; "" else."""
    learnt = learnt_since(plan, state)
    return sentence("actions", "move_first", {"learnt": " and ".join(learnt)}) if learnt else ""


def _named(items: Iterable[Item]) -> str:
    """The titles, each once; of many the first."""
    titles = list(dict.fromkeys(asked(i.title) for i in items))
    return "; ".join(titles[:_NAMED]) + (f"; and {len(titles) - _NAMED} more" if len(titles) > _NAMED else "")


def is_dated(found: Iterable[Since], on: Setting) -> bool:
    """True if something that hangs on one of them has a day, or was left out because of an answer of before."""
    return any(one.away or any(_acts_from(i) for i in _ahead(one, on)) for one in found)


def _ahead(one: Since, on: Setting) -> list[Item]:
    """What hangs on a question and is neither done nor only printed for days that are over."""
    return [i for key in one.items if (i := on.items.get(key)) is not None and not _over(i, key, on)]


def _over(item: Item, key: Key, on: Setting) -> bool:
    own = on.state.items.get(key)
    if own is not None and own.cls not in ("open", "busy"):
        return True
    last = item.dates.last_day
    return item.key.kind == "instruction" and last is not None and last < on.as_of


def _long_over(item: Item, on: Setting) -> bool:
    """True after surgery for what came before it, and for what was to be done long ago: no plan brings its day back.

    A restriction holds until it is released, whenever it began.
    """
    last = item.dates.last_day
    if last is None or on.surgery is None or on.surgery >= on.as_of or item.key.kind == "restriction":
        return False
    return last <= on.surgery or last < on.as_of - _LONG


def _acts_from(item: Item) -> date | None:
    """From which day somebody may act on an item, so that by it the plan should be right."""
    dates = item.dates
    first = dates.first
    days = [d for d in (dates.due_from, dates.book_from, first.day if first else None) if d is not None]
    return min(days, default=None)
