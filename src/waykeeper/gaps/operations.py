"""Two operations of one patient that lie close together: what pauses for both, and what the first still forbids.

A plan that is made without the server's other plans knows of none of them, and one that stood before knows of none that
came later: its medicines were planned for one operation alone, and each sheet speaks of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from waykeeper.gaps.setting import Setting
from waykeeper.gaps.words import Filling
from waykeeper.medicines.other_surgeries import pauses_meet, planned_with
from waykeeper.plan.beside import Pause, pause_of, same_order
from waykeeper.plan.model import Item

Other = tuple[Setting, date]  # another plan in force, and the day of its operation


def close_together(on: Setting, others: Sequence[Setting]) -> tuple[list[str], Filling]:
    """The names of the words that hold, and what their sentences name."""
    if on.surgery is None:
        return [], Filling({})
    in_force = [(o, o.surgery) for o in others if o.surgery is not None and not (o.ended or o.void)]
    paused = {o.plan.operation: (day, _paused_for_both(on, on.surgery, o, day)) for o, day in in_force}
    forbids = {o.plan.operation: (day, _still_forbidden(on.surgery, o, day)) for o, day in in_force}
    words = ["needs-review-pauses"] if any(names for _, names in paused.values()) else []
    words += ["needs-review-forbidden"] if any(names for _, names in forbids.values()) else []
    return words, Filling({
        "pauses": _told(paused), "forbidden": _told(forbids),
        "paused": "; ".join(dict.fromkeys(name for _, names in paused.values() for name in names)),
    })  # fmt: skip


def _told(found: dict[str, tuple[date, list[str]]]) -> str:
    return "; ".join(
        f"{operation} on {day:%a} {day.isoformat()}: {', '.join(names)}"
        for operation, (day, names) in sorted(found.items())
        if names
    )


def _paused_for_both(on: Setting, surgery: date, other: Setting, day: date) -> list[str]:
    """The medicines whose pauses meet, where this plan was made without that operation in view."""
    theirs = [(i, span) for i in other.plan.items if (span := _pause(i, other, day))]
    with_it = {
        i.key.item for i in on.plan.items if i.hold and planned_with(i.hold.alternatives, other.plan.operation, day)
    }
    found = []
    for item in on.plan.items:
        ours = _pause(item, on, surgery)
        # the line of before that an answer keeps in the plan is no second medicine: the new one of the order asks
        if not ours or item.hold is None or item.key.item in with_it:
            continue
        if any(same_order(item, i) and pauses_meet(*ours, surgery, *span, day) for i, span in theirs):
            found.append(item.hold.words)
    return found


def _pause(item: Item, on: Setting, surgery: date) -> Pause | None:
    return pause_of(item, on.of(item), surgery, on.as_of)


def _still_forbidden(surgery: date, other: Setting, day: date) -> list[str]:
    """What the other operation, on that day or before, forbids beyond this one: no release may come so early."""
    if day > surgery:
        return []
    return [
        item.title
        for item in other.plan.items
        if item.key.kind == "restriction" and not item.undecided and other.of(item).cls != "withdrawn"
        and item.dates.first is not None and item.dates.first.day <= surgery
        and item.dates.earliest is not None and surgery < item.dates.earliest
    ]  # fmt: skip
