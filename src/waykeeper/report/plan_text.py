"""A compiled plan in a terminal, and why an item stands where it stands."""

from __future__ import annotations

from datetime import date

from waykeeper.findings import WaykeeperError, did_you_mean, finding
from waykeeper.medicines import unclear
from waykeeper.plan.model import HoldProposal, Item, Key, Plan
from waykeeper.report.plain import clean, day, moment, shortened, span, table, wrap
from waykeeper.timing.model import Anchor, Standing

LEAST_WIDTH = 60
_WHEN = 20  # `Wed 2026-03-18 07:30`
_WHO = 11


def plan_table(plan: Plan, width: int = 80) -> str:
    """Every item of the plan once, in the order of its days: when, what, who, why. At most `width` columns.

    Undated items stand last and say what they wait for; an unanswered hold is marked as a proposal.
    """
    width = max(width, LEAST_WIDTH)
    rest = width - _WHEN - _WHO - 6
    what = rest * 3 // 5
    rows = [_cells(item) for item in sorted(plan.items, key=_when_key)]
    lines = [*_head(plan, width), ""]
    lines += table(("when", "item", "who", "why"), rows, (_WHEN, what, _WHO, rest - what))
    return "\n".join(lines) + "\n"


def explain_item(plan: Plan, key: Key | str, width: int = 80) -> str:
    """Why one item is in the plan and has its dates: pathway line, overlay, anchor, arithmetic, source.

    `key` as the plan prints it (`task/wash/evening-1`). Raises WaykeeperError (WKO006) where the plan has no such item.
    """
    item = _find(plan, str(key))
    facts = [
        ("item", str(item.key)), ("who", item.who), ("phase", item.phase), ("why", item.why),
        ("when", _when(item)), ("window", span(item.dates.window)),
        ("phrase", item.phrase), ("window phrase", item.window_phrase), *_dates(item),
        *(("anchor", _anchor(a)) for a in _anchors(plan, item)),
        *(("arithmetic", line) for line in item.arithmetic),
        ("pathway", plan.pathway.canonical), ("line", _line(item)),
        *(("changed at", str(position)) for position in item.changed_at),
        ("overlays", ", ".join(item.overlays) or "none changed it"),
        ("source", f"{item.source.cite or 'no citation'} ({item.source.grade})"),
        ("harm if missed", f"{item.harm} of 3"), ("not decided", ", ".join(item.undecided)),
        ("needs", ", ".join(map(str, item.needs))), ("ends by", item.until), ("released by", item.released_by),
        *(_hold(item.hold) if item.hold else ()),
        *((f"words ({language})", text) for language, text in sorted(item.words.items())),
    ]  # fmt: skip
    lines = wrap(item.title, width)
    for name, text in facts:
        lines += wrap(text, max(width, LEAST_WIDTH), f"  {name}: ", "      ") if text else []
    return "\n".join(lines) + "\n"


def _head(plan: Plan, width: int) -> list[str]:
    side = f", {plan.side} side" if plan.side else ", side not stated"
    first = f"{plan.pathway.title or plan.pathway.name} {plan.pathway.version}{side}: {plan.patient.name or 'no name'}"
    lines = wrap(f"{first} ({shortened(plan.patient.identifier.value)})", width)
    for anchor in plan.anchors:
        lines += wrap(_anchor(anchor), width, "  ")
    lines += wrap(
        f"overlays in force: {', '.join(plan.overlays) or 'none'}; times are those of {plan.zone}", width, "  "
    )
    return lines


def _anchor(anchor: Anchor) -> str:
    """`surgery Wed 2026-03-18 07:30 (given)`; an assumption is never printed as more than that."""
    why = {Standing.ASSUMED: f": {anchor.phrase}", Standing.RECORDED: f": {anchor.evidence}"}.get(anchor.standing, "")
    return f"{anchor.name} {moment(anchor.moment) or 'no date'} ({anchor.standing.value}{why})"


def _anchors(plan: Plan, item: Item) -> list[Anchor]:
    said = f" {item.phrase} {item.window_phrase} {item.until} ".replace(",", " ").split()
    found = [a for a in plan.anchors if a.name in said]
    return found or [a for a in plan.anchors if a.name == "surgery" and item.hold]


def _when_key(item: Item) -> tuple[date, str, int, str]:
    start = item.dates.point or (item.dates.window.start if item.dates.window else None)
    if start is None:
        return date.max, "", -item.harm, str(item.key)
    return start.day, str(start.clock or ""), -item.harm, str(item.key)


def _when(item: Item) -> str:
    dates = item.dates
    start = dates.point
    if start:
        return moment(start)
    if dates.window:
        return span(dates.window)
    if item.hold:
        return "no date: ask"
    return f"waits for {dates.awaited or 'a date'}"


def _cells(item: Item) -> tuple[str, str, str, str]:
    occurrence = f" ({item.key.occurrence})" if item.key.occurrence else ""
    return _when(item), f"{clean(item.title)}{occurrence}{_marked(item)}", item.who, item.why or item.source.grade


def _marked(item: Item) -> str:
    """What a reader must know beside a title: that a hold's day is a proposal, that a fact is not known."""
    marks = ["the last-dose day"] if item.hold and item.dates.at else []
    if item.hold and item.hold.answered is None:
        marks.append("needs review" if not item.hold.recognised else "proposal, not answered")
    elif item.hold and item.hold.answered:
        how = "the answer is unclear" if unclear(item.hold.answered) else "answered"
        marks.append(f"{how}: {item.hold.answered.decision}")
    if item.undecided:
        marks.append(f"if {', '.join(item.undecided)}: not known")
    return f" [{'; '.join(marks)}]" if marks else ""


def _dates(item: Item) -> list[tuple[str, str]]:
    dates = item.dates
    rolled = dates.target is not None and dates.at is not None and dates.target.day != dates.at.day
    return [
        ("target before rolling", moment(dates.target) if rolled else ""),
        ("book from", day(dates.book_from)), ("late from", day(dates.late_from)), ("due from", day(dates.due_from)),
        ("counts if done from", day(dates.valid_from)), ("not released before", day(dates.earliest)),
    ]  # fmt: skip


def _line(item: Item) -> str:
    place = str(item.origin)
    return place or "not stored with the plan; look it up in the pathway file of this url and version"


def _hold(hold: HoldProposal) -> list[tuple[str, str]]:
    """The medicine part: both days of the hold with weekday, rule and policy, and that it is a proposal."""
    answer = hold.answered
    said = f"{answer.decision} by {answer.by or 'nobody named'} {day(answer.on)}".rstrip() if answer else ""
    missed = "" if hold.missed_days is None else f"{hold.missed_days} (and none on the day of surgery)"
    return [
        ("medicine", hold.words), ("decision", f"{hold.decision}, {said or 'a proposal that nobody has answered'}"),
        ("missed days", missed), ("last dose", day(hold.last_dose)), ("first day without", day(hold.first_missed)),
        ("last dose at or before", moment(hold.last_limit)), ("rule", hold.rule), ("policy", hold.policy),
        ("confidence", hold.confidence), ("restart", hold.restart), ("question", hold.question),
        *(("arithmetic", line) for line in hold.arithmetic), *(("note", note) for note in hold.notes),
        *(("alternative", other) for other in hold.alternatives),
    ]  # fmt: skip


def _find(plan: Plan, key: str) -> Item:
    found = next((i for i in plan.items if str(i.key) == key), None)
    if found is None:
        names = [str(i.key) for i in plan.items]
        raise WaykeeperError(finding("WKO006", f"the plan has no item {key!r}", help=did_you_mean(key, names)))
    return found
