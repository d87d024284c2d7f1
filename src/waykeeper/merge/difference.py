"""What changes for people between two plans of one episode, item by item, medicines first."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from waykeeper.merge.model import Decisions
from waykeeper.plan.answers import facts_told
from waykeeper.plan.model import MEDICINES, Item, ItemState, Key, Plan, State
from waykeeper.plan.validity import to_come
from waykeeper.timing.model import Anchor, Dates, Moment, Window

Change = Literal["conflict", "again", "valid", "moved", "new", "gone", "unchanged"]
CHANGES: tuple[Change, ...] = ("conflict", "again", "new", "gone", "moved", "valid", "unchanged")
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")  # the same in every locale


@dataclass(frozen=True, slots=True)
class Row:
    """What becomes of one item. `before` and `after` are its dates as days, "" where it has none; of one that moved
    within its days with the time of day.

    conflict   a person must decide        again   done, and must be done again
    valid      done, and still counts      moved   other dates
    new, gone  only in the new plan, only in the old one

    reason     why it must be done again, still counts, or is asked; one clause without a full stop
    by         the day by which it is to be done now
    """

    item: Key
    title: str
    change: Change
    before: str = ""
    after: str = ""
    reason: str = ""
    who: str = ""
    harm: int = 1
    by: date | None = None


@dataclass(frozen=True, slots=True)
class Turned:
    """One thing about the whole plan that is other than before: an anchor, the side, the version. Texts for people."""

    name: str
    before: str
    after: str


def difference(
    old: Plan,
    new: Plan,
    state: State,
    decided: Decisions,
    attended: Collection[Key] = (),
    today: date | None = None,
) -> list[Row]:
    """A row for each item of either plan, each exactly once: medicines first, then in the new plan's order.

    state      what is recorded of the old plan; `decided` what the merge of the new one decided
    attended   visits that linked evidence proves
    today      the day to look at: what is recorded for a day after it is not done
    """
    was, now = {i.key: i for i in old.items}, {i.key: i for i in new.items}
    why = {q.key: q.why for q in decided.conflicts}
    begun = {d.item: d.reason for d in decided.rows if d.word == "create" and d.round > 1}
    told_before = facts_told(old.answers)
    rows = []
    for key in [*now, *(k for k in was if k not in now)]:
        before, after, known = was.get(key), now.get(key), state.items.get(key)
        if after is None and known is not None and _gone_before(was[key], known, told_before):
            continue
        item = after or was[key]
        change = _change(before, after, key in why, str(key) in begun, known, key in attended, today)
        told = {"conflict": why.get(key, ""), "again": _again(item, known, begun.get(str(key), ""))}
        told |= {"gone": f"done {shown(known.done_on)}"} if known and known.done_on and _done(known, today) else {}
        was_at, is_at = days(before.dates) if before else "", days(after.dates) if after else ""
        if change == "moved" and before is not None and after is not None:
            was_at, is_at = _told_apart(before.dates, after.dates)
        rows.append(
            Row(
                key, item.title, change, was_at, is_at,
                told.get(change, _valid(item, known) if change == "valid" else ""), item.who, item.harm,
                item.dates.last_day,
            )
        )  # fmt: skip
    return _medicines_first(rows)


def _gone_before(item: Item, known: ItemState, told: Mapping[str, str]) -> bool:
    """True for what was no part of the old plan any more: withdrawn, or done and left out by answers that it knew.

    What is done stays on the server as it is, with the dates of the day on which it was last wanted.
    """
    if known.cls in ("withdrawn", "void"):
        return True
    facts = {item.fact} if item.fact else set(item.undecided)
    return known.cls == "done" and bool(facts) and facts <= told.keys()


def _change(
    before: Item | None,
    after: Item | None,
    asked: bool,
    begun: bool,
    known: ItemState | None,
    attended: bool,
    today: date | None,
) -> Change:
    if asked:
        return "conflict"
    if after is None:
        return "gone"
    if before is None or (known is not None and known.withdrawn_by_us):
        return "new"
    if begun:
        return "again"
    done = before.key.kind != "visit" and known is not None and _done(known, today)  # an order done is no visit kept
    if attended or done or (known is not None and _answered(known, today)):
        return "valid"
    was, now = _told_apart(before.dates, after.dates)
    return "unchanged" if was == now else "moved"


def _done(known: ItemState, today: date | None) -> bool:
    return known.was_done and not to_come(known.done_on, today)


def _answered(known: ItemState, today: date | None) -> bool:
    return known.answer is not None and not to_come(known.answer.on, today)


def _again(item: Item, known: ItemState | None, reason: str) -> str:
    """What was done, and from which day it counts: the age on the day of surgery."""
    done = f"done {shown(known.done_on)}" if known and known.done_on else "done on a day that nobody recorded"
    if item.dates.valid_from and reason.startswith("done too early"):
        return f"{done}; counts only from {shown(item.dates.valid_from)} ({item.valid_for})"
    if reason.startswith("done for"):
        return f"{done}, for the earlier date"
    return reason or "a new round has begun"


def _valid(item: Item, known: ItemState | None) -> str:
    if known is None or known.done_on is None:
        return "answered, does not depend on the day" if known and known.answer else "already took place"
    if item.dates.valid_from:
        return f"done {shown(known.done_on)}; counts from {shown(item.dates.valid_from)} ({item.valid_for})"
    return f"done {shown(known.done_on)}"


def shown(day: date | None) -> str:
    """`Wed 2026-03-18`; "" for None."""
    return f"{WEEKDAYS[day.weekday()]} {day.isoformat()}" if day else ""


def days(dates: Dates, *, clocks: bool = False) -> str:
    """The dates of an item as days: its point, its window, or what it awaits; with `clocks` the times of day too."""
    if dates.window:
        return _window(dates.window, clocks=clocks)
    if dates.at:
        return _read(dates.at, clocks=clocks)
    return f"awaits {dates.awaited}" if dates.awaited else ""


def _told_apart(before: Dates, after: Dates) -> tuple[str, str]:
    """Both as days; where those are the same with the time of day, else by the point inside the window.

    Equal where nothing that people read differs: surgery moved by hours has other fasting times on the same day, and
    whoever reads `2026-03-18 -> 2026-03-18` learns neither. In another time zone the same time of day is the same.
    """
    was, now = days(before), days(after)
    for clocks, point in ((True, False), (True, True)):
        if was == now:
            was, now = (days(replace(d, window=None if point else d.window), clocks=clocks) for d in (before, after))
    return was, now


def _read(moment: Moment, *, clocks: bool) -> str:
    return f"{moment.day.isoformat()}{f' {moment.clock:%H:%M}' if clocks and moment.clock else ''}"


def _window(window: Window, *, clocks: bool) -> str:
    start, end = _read(window.start, clocks=clocks), _read(window.end, clocks=clocks)
    if start == end:
        return start
    return f"until {end}" if window.open_start else f"{start} to {end}"


def _medicines_first(rows: Sequence[Row]) -> list[Row]:
    return sorted(rows, key=lambda row: row.item.kind not in MEDICINES)


def turned(old: Plan, new: Plan) -> tuple[Turned, ...]:
    """Everything about the whole plan that only a move may change, where it differs; anchors first."""
    names = dict.fromkeys(a.name for a in (*old.anchors, *new.anchors))
    found = [Turned(n, _anchor(old.anchor(n)), _anchor(new.anchor(n))) for n in names]
    found += [
        Turned("time zone", old.zone, new.zone),
        Turned("side", old.side or "not stated", new.side or "not stated"),
        Turned("anaesthesia", old.anaesthesia, new.anaesthesia),
        Turned("pathway version", old.pathway.version, new.pathway.version),
        Turned("overlays", ", ".join(old.overlays) or "none", ", ".join(new.overlays) or "none"),
        Turned("clinic settings", "as they were", "as they were" if old.settings == new.settings else "changed"),
    ]
    return tuple(t for t in found if t.before != t.after)


def _anchor(anchor: Anchor | None) -> str:
    if anchor is None or anchor.moment is None:
        return "not known"
    return f"{_moment(anchor.moment)} ({anchor.standing})"


def _moment(moment: Moment) -> str:
    return f"{shown(moment.day)}{f' {moment.clock:%H:%M}' if moment.clock else ''}"
