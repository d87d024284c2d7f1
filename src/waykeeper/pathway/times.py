"""Whether the dates of a pathway make sense together, for every patient it may be compiled for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date, timedelta

from waykeeper.counting import counted
from waykeeper.findings import Finding, finding
from waykeeper.pathway.build import Draft, Drafted
from waykeeper.pathway.phrasing import Phrased, Phrases
from waykeeper.pathway.reader import Node
from waykeeper.pathway.references import PATIENT, texts
from waykeeper.pathway.samples import Sample, samples
from waykeeper.timing import Containment, Event, Phrase, WorkingCalendar, contains, longest_closure
from waykeeper.timing.phrases import Around, At, Between, FromTo, Offset, Pick, Series, Until, Within
from waykeeper.timing.working import Policy

LAST_DAYS = timedelta(days=7)  # patient tasks of the last 7 days before surgery are done again when it moves


POLICIES: Mapping[str, Policy] = {"": "", "in window": "in window", "earlier": "earlier"}

# Open from Monday to Friday, through 28 years: every pairing of a date with a weekday. For windows that roll, where
# no clinic is given.
WEEKDAYS_ONLY = WorkingCalendar("UTC", years=tuple(range(2024, 2052)))


def check(draft: Draft, phrases: Phrases, calendar: WorkingCalendar | None, found: list[Finding]) -> Mapping[str, str]:
    """All checks of times. Returns the `redo` of each task: as written, else its default.

    `calendar` is the clinic's; without one, rolling is proved for a clinic that is open from Monday to Friday.
    """
    drawn = samples(draft, phrases)
    items = {d.item.name: d for d in draft.items}
    for one in draft.items:
        _shape(one, found)
        _window(one, phrases, calendar or WEEKDAYS_ONLY, found)
        _ends_by_release(one, phrases, found)
        _order_inside(one, phrases, drawn, found)
        _order_between(one, items, phrases, drawn, found)
        _in_phase(one, phrases, drawn, found)
    awaited = _awaited(draft)
    for phrased in phrases.all:
        _before_known(phrased, awaited, found)
    return {d.item.name: _redo(d, phrases, drawn) for d in draft.items if d.item.kind == "task"}


def _shape(one: Drafted, found: list[Finding]) -> None:
    """Keys that only make sense together, or not together."""
    item, fields = one.item, one.fields
    if item.kind == "task" and ("at" in fields.nodes) == ("by" in fields.nodes):
        has = "both at and by" if "at" in fields.nodes else "neither at nor by"
        details = f"task {item.name!r} has {has}, it must have one of the two"
        found.append(finding("WKP308", details, one.key.position))
    problem = ""
    if item.roll and item.kind == "task" and item.who == PATIENT:
        problem = "what a patient does at home does not wait for an open day"
    elif item.roll == "in window" and item.kind == "task" and not (item.starts and item.by):
        problem = "a task without from and by has no window to roll in"
    if problem:
        details = f"roll of {item.kind} {item.name!r} is {item.roll!r}: {problem}"
        found.append(finding("WKP310", details, fields.at("roll")))


def _window(one: Drafted, phrases: Phrases, calendar: WorkingCalendar, found: list[Finding]) -> None:
    window = phrases.one("visit", one.item.name, "window")
    if window is None:
        return
    for target in phrases.of("visit", one.item.name, "at"):
        proof = contains(target.phrase, window.phrase, policy=POLICIES[one.item.roll], calendar=calendar)
        wrong = _closed(proof, target, window, one, calendar) or proof.finding(window.node.position)
        if wrong is not None:
            found.append(replace(wrong, details=f"visit {one.item.name!r}: {wrong.details}"))


def _closed(
    proof: Containment, target: Phrased, window: Phrased, one: Drafted, calendar: WorkingCalendar
) -> Finding | None:
    """What is found where the window holds its target, and only the clinic's closures can leave it no open day.

    The fault is the calendar's, not the pathway's: the plans that it meets say so (WKL107), and all others stand.
    """
    if proof.verdict == "always" or one.item.roll != "in window" or proof.window is None:
        return None
    every_week = replace(calendar, closed={})
    unrolled = contains(target.phrase, window.phrase)
    in_any_week = contains(target.phrase, window.phrase, policy=POLICIES[one.item.roll], calendar=every_week)
    if not unrolled.verdict == in_any_week.verdict == "always":
        return None
    first, last = proof.window
    longest = longest_closure(calendar)
    details = f"a window of {counted((last - first).days + 1, 'day')} may hold no open day: {first} to {last}"
    if longest:
        details += f"; the clinic's longest closure is {longest[0]} to {longest[1]}"
    return finding("WKP314", details, window.node.position)


def _ends_by_release(one: Drafted, phrases: Phrases, found: list[Finding]) -> None:
    until = phrases.one("restriction", one.item.name, "until")
    if until is None:
        return
    phrase = until.phrase
    if not (isinstance(phrase, At) and phrase.event.kind == "release"):
        details = f"restriction {one.item.name!r} ends by {until.node.text!r}, it must end by the release of a gate"
        found.append(finding("WKP311", details, until.node.position))


def _points(item: Drafted, phrases: Phrases) -> tuple[Phrased, ...]:
    """The points at which an item is due: `at`, else `by`."""
    kind, name = item.item.kind, item.item.name
    return phrases.of(kind, name, "at") or phrases.of(kind, name, "by")


def _order_inside(one: Drafted, phrases: Phrases, drawn: tuple[Sample, ...], found: list[Finding]) -> None:
    """`from` and `valid_for` must not come after the day on which the item is due."""
    due = _points(one, phrases)
    for key, code in (("from", "WKP313"), ("valid_for", "WKP312")):
        start = phrases.one(one.item.kind, one.item.name, key)
        if start is None or one.item.kind == "restriction":
            continue
        for sample in drawn:
            first, days = sample.moment(start.phrase), sample.days(due)
            if first is not None and days and first.day > days[0]:
                details = (
                    f"{key} of {one.item.kind} {one.item.name!r} is {start.node.text!r}, "
                    f"{_apart(first.day, days[0])} after the day on which it is due"
                )
                found.append(finding(code, details, start.node.position))
                break


def _order_between(
    one: Drafted, items: Mapping[str, Drafted], phrases: Phrases, drawn: tuple[Sample, ...], found: list[Finding]
) -> None:
    """What an item needs must be due no later than the item itself.

    Of an item with several points only those up to the day of whoever needs it are needed, so its first decides.
    """
    pairs: list[tuple[Drafted | None, Drafted | None, Node]]
    pairs = [(items.get(n.text), one, n) for n in texts(one, "needs")]
    pairs += [(one, items.get(n.text), n) for n in texts(one, "before")]
    for first, second, node in pairs:
        if first is None or second is None:
            continue
        for sample in drawn:
            early, late = sample.days(_points(first, phrases)), sample.days(_points(second, phrases))
            if early and late and early[0] > late[0]:
                details = (
                    f"{second.item.kind} {second.item.name!r} needs {first.item.kind} {first.item.name!r}, "
                    f"which is due {_apart(early[0], late[0])} after it"
                )
                code = "WKP405" if second.item.kind == "gate" else "WKP406"
                found.append(finding(code, details, node.position))
                break


def _apart(later: date, earlier: date) -> str:
    days = (later - earlier).days
    return counted(days, "day")


def _in_phase(one: Drafted, phrases: Phrases, drawn: tuple[Sample, ...], found: list[Finding]) -> None:
    """An item should stand in the phase whose days hold its first point: the file reads in the patient's order."""
    phase = phrases.one("phase", one.item.phase, "days")
    if phase is None:
        return
    for point in _points(one, phrases)[:1]:
        for sample in drawn:
            days, moment = sample.window(phase.phrase), sample.moment(point.phrase)
            if days is not None and moment is not None and not days.holds(moment.day):
                details = (
                    f"{one.item.kind} {one.item.name!r} at {point.node.text!r} lies outside the days of its phase, "
                    f"{phase.node.text!r}"
                )
                found.append(finding("WKP309", details, point.node.position))
                break


def _awaited(draft: Draft) -> Mapping[str, str]:
    """Events that have no moment until they are recorded, with the reason."""
    known = {a.name: "an awaited anchor" for a, _ in draft.anchors if a.awaited}
    for one in draft.items:
        if one.item.kind == "gate":
            known[f"release of {one.item.name}"] = "known when somebody releases it"
        known[f"completion of {one.item.name}"] = "known when it is done"
    return known


def _before_known(phrased: Phrased, awaited: Mapping[str, str], found: list[Finding]) -> None:
    for event in sorted(set(_counted_back(phrased.phrase)), key=str):
        reason = awaited.get(str(event))
        if reason:
            details = (
                f"{phrased.key} of {phrased.kind} {phrased.owner!r} is {phrased.node.text!r}, before {str(event)!r} "
                f"exists ({reason})"
            )
            offset = max(phrased.node.text.find(str(event)), 0)
            found.append(finding("WKP306", details, phrased.node.inside(offset)))


def _counted_back(phrase: Phrase) -> Iterator[Event]:
    """The events that a phrase counts backwards from."""
    match phrase:
        case Offset(side=side, event=event) | Between(side=side, event=event) | Within(side=side, event=event):
            if side == "before":
                yield event
        case Around(event=event):
            yield event
        case Pick(first=one, second=other) | FromTo(start=one, end=other):
            yield from _counted_back(one)
            yield from _counted_back(other)
        case Until(end=end):
            yield from _counted_back(end)
        case Series(span=span):
            yield from _counted_back(span)


def _redo(one: Drafted, phrases: Phrases, drawn: tuple[Sample, ...]) -> str:
    """As written (`never` is none); by default `on move` for what the patient does in the last 7 days."""
    if one.item.redo:
        return "" if one.item.redo == "never" else one.item.redo
    if one.item.who != PATIENT:
        return ""
    days = ((sample.day, day) for sample in drawn for day in sample.days(_points(one, phrases)))
    return "on move" if any(timedelta(0) <= surgery - day <= LAST_DAYS for surgery, day in days) else ""
