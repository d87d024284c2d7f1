"""One verdict for each item of a plan."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime

from waykeeper.gaps.medicines import hold_verdict, medicine_verdict
from waykeeper.gaps.model import Match, Verdict
from waykeeper.gaps.others import (
    decided_on,
    gate_verdict,
    goal_verdict,
    instruction_verdict,
    restriction_verdict,
    task_verdict,
)
from waykeeper.gaps.setting import Setting, setting
from waykeeper.gaps.visits import visit_verdict
from waykeeper.gaps.words import sentence
from waykeeper.plan.model import Item, Key, Plan, State

_BY_KIND: Mapping[str, Callable[[Item, Setting], Verdict]] = {
    "task": task_verdict,
    "question": task_verdict,
    "hold": hold_verdict,
    "medicine": medicine_verdict,
    "instruction": instruction_verdict,
    "restriction": restriction_verdict,
    "goal": goal_verdict,
}


def verdict(
    item: Item,
    plan: Plan,
    state: State,
    matched: Sequence[Match],
    as_of: date | datetime,
    *,
    others: Mapping[Key, Verdict] | None = None,
) -> Verdict:
    """The verdict of one item on the as-of day.

    matched   what belongs or may belong to a visit; empty for other kinds
    as_of     the clinic's day; an aware moment is taken into the plan's zone
    others    gates: the verdicts of what they need; a need without one counts as missing
    """
    return _one(item, setting(plan, state, as_of), matched, others or {})


def _one(item: Item, on: Setting, matched: Sequence[Match], others: Mapping[Key, Verdict]) -> Verdict:
    kind = item.key.kind
    if kind == "visit":
        return visit_verdict(item, on, matched)
    if kind == "gate":
        return gate_verdict(item, on, others)
    return _BY_KIND[kind](item, on)


def verdicts(on: Setting, matched: Mapping[Key, Sequence[Match]]) -> dict[Key, Verdict]:
    """The verdict of every item of a plan, gates after what they need."""
    found: dict[Key, Verdict] = {}
    for item in on.plan.items:
        if item.key.kind != "gate":
            found[item.key] = _one(item, on, matched.get(item.key, ()), found)
    _say_who_was_seen(on, found)
    for gate in _in_order([i for i in on.plan.items if i.key.kind == "gate"]):
        found[gate.key] = _one(gate, on, (), found)
    _plan_releases(on, found)
    return found


def _say_who_was_seen(on: Setting, found: dict[Key, Verdict]) -> None:
    """A missed visit whose patient came to a later one of the same person: the word stays, to do is what is left of it.

    Not where it is too late for it anyway, or where it is not known whether it applies.
    """
    for item in on.plan.items:
        said = found.get(item.key)
        if said is None or said.word != "missed" or item.undecided or item.key in on.hangs:
            continue
        close = item.dates.last_day
        if on.of_before(close):
            continue
        later = [
            (seen.day, other.title)
            for other in on.plan.items
            if other.key.kind == "visit" and other.who == item.who
            and (seen := found[other.key]).word.startswith("attended")
            and seen.day is not None and close is not None and seen.day > close
        ]  # fmt: skip
        if later:
            seen_on, title = max(later)
            told = sentence("tails", "seen_since", {"title": title, "seen_on": seen_on})
            found[item.key] = replace(
                said, reason=f"{said.reason} {told}", next_action=sentence("actions", "seen_since", {})
            )


def _plan_releases(on: Setting, found: dict[Key, Verdict]) -> None:
    """Restrictions whose end may be asked for, said again with the day of the decision that ends them."""
    for item in on.plan.items:
        if item.until and found[item.key].word == "release-due" and item.ending_gate in found:
            gate = on.items[item.ending_gate]
            if (day := decided_on(gate, on, found[gate.key], found)) is not None:
                found[item.key] = restriction_verdict(item, on, day)


def _in_order(gates: Sequence[Item]) -> Iterable[Item]:
    """Gates so that one comes after the gates that it needs; a circle (which `check` refuses) in its own order."""
    waiting = {g.key: g for g in gates}
    while waiting:
        ready = [g for g in waiting.values() if not any(n in waiting for n in g.needs)] or list(waiting.values())
        for gate in ready:
            yield waiting.pop(gate.key)
