"""What of a plan a patient is told, where it stands on the page, and what is left out and why.

Every item of the plan is exactly once in `entries` or in `left_out`.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal
from zoneinfo import ZoneInfo

from waykeeper.gaps.stay import stay_over
from waykeeper.plan.answered_since import answered_since, hanging
from waykeeper.plan.holds import answer_in_force, restarted
from waykeeper.plan.model import MEDICINES, Evidence, Item, ItemState, Key, Plan, State
from waykeeper.plan.unlisted import unlisted
from waykeeper.plan.validity import by_a_past_surgery, done_counts, to_come
from waykeeper.report.medicine_lines import MedicineLine, medicine_line
from waykeeper.report.phrase_words import series_of
from waykeeper.report.releases import ended_on, gates_in, waits_until, window_of
from waykeeper.timing import earlier_reading
from waykeeper.timing.model import Anchor, Moment, Standing, Window

# day: on `start` · span: from `start` through `end` · rule: from `start`, until released · medicine: see `medicine`
# waiting: no date yet · past: its last day is over and nobody recorded it as done
Unsure = Literal["", "day", "hour"]
Place = Literal["day", "span", "rule", "medicine", "waiting", "past"]
Bookings = Mapping[Key, Evidence]

PREPARED = "it prepared an operation whose day is over"
WENT_HOME = "it belonged to a hospital stay that is over"
RELEASED = "released"
RESTARTED = "restarted on"
_OVER = frozenset({"fulfilled", "finished"})
_LIVE = frozenset({"booked", "arrived", "checked-in", "in-progress"})
_PEOPLE_AT_HOME = ("patient", "family", "helper", "caregiver")


@dataclass(frozen=True, slots=True)
class Entry:
    """One item as the patient meets it. `text` is in `language`, which may not be the sheet's."""

    key: Key
    place: Place
    text: str
    language: str
    start: Moment | None = None
    end: Moment | None = None
    done: bool = False
    booking: Evidence | None = None
    window: Window | None = None
    awaited: str = ""
    assumed: Unsure = ""
    undecided: bool = False  # a fact that it depends on is not known: ask first
    ask_first: bool = False  # one was answered, and the plan was not made with that answer: may be forbidden by now
    once: bool = False
    deadline: bool = False  # to be done on its day or before it, not only on it
    phrase: str = ""  # how often, where it is a series
    medicine: MedicineLine | None = None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An item that the patient is not told about, and why (for staff)."""

    key: Key
    title: str
    reason: str


@dataclass(frozen=True, slots=True)
class Selection:
    """Entries in the order of the plan; what was left out; items whose words lack the language.

    new_answer   something was answered that the plan was not made with: it may lack a step, too
    """

    entries: tuple[Entry, ...]
    left_out: tuple[LeftOut, ...]
    missing: tuple[Key, ...]
    new_answer: bool = False


def select(plan: Plan, state: State, *, as_of: date, language: str, bookings: Bookings | None = None) -> Selection:
    """Sort every item of the plan into what the patient reads and what is left out.

    `bookings` are proven bookings or attendances of visits (linked or recognised, never a guess).
    """
    entries: list[Entry] = []
    left: list[LeftOut] = []
    since = answered_since(plan, state).values()
    hangs = hanging(since)
    for item in plan.items:
        booking, asks = (bookings or {}).get(item.key), item.key in hangs
        placed = _place(_Case(plan, state, as_of, language, booking, asks), item)
        if isinstance(placed, str):
            left.append(LeftOut(item.key, item.title, placed))
        else:
            entries.append(placed)
    missing = tuple(e.key for e in entries if e.language != language and e.medicine is None)
    new = any(e.ask_first for e in entries) or any(one.away for one in since)
    return Selection(tuple(entries), tuple(left), missing, new)


def check_code(plan: Plan, state: State, bookings: Bookings | None = None) -> str:
    """Six characters that change when, and only when, something dated on the sheet or the side changes: `K7M-4QD`.

    The day of printing, the language, and what has been done do not enter, so that a nurse who prints tomorrow
    reads the same code to the patient. Letters and digits that look alike are not used (Crockford's base 32).
    """
    rows = [_facts(plan, state, item, (bookings or {}).get(item.key)) for item in plan.items]
    rows += [[str(key), "ask first"] for key in hanging(answered_since(plan, state).values())]
    heads = [["side", plan.side], *([str(a.name), str(a.moment or "")] for a in plan.anchors)]
    text = json.dumps(heads + sorted(rows), ensure_ascii=False)
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big") >> 2
    code = "".join("0123456789ABCDEFGHJKMNPQRSTVWXYZ"[number >> shift & 31] for shift in range(25, -1, -5))
    return f"{code[:3]}-{code[3:]}"


def booked_moment(booking: Evidence, zone: str) -> Moment | None:
    """Day and time of a booking in the clinic's zone; None where the source gives no day."""
    if booking.start is None:
        return Moment(booking.day, None, zone) if booking.day else None
    local = booking.start.astimezone(ZoneInfo(zone))
    return Moment(local.date(), local.time().replace(tzinfo=None, fold=0), zone, local.fold)


@dataclass(frozen=True, slots=True)
class _Case:
    plan: Plan
    state: State
    as_of: date
    language: str
    booking: Evidence | None
    ask_first: bool = False

    def of(self, item: Item) -> ItemState:
        return self.state.items.get(item.key, ItemState(item.key))

    @property
    def today(self) -> date | None:
        """The day of the sheet; a calendar looks at no day."""
        return None if self.as_of == date.min else self.as_of


def _place(case: _Case, item: Item) -> Entry | str:
    """The item's entry, or the reason why it is left out."""
    kind = item.key.kind
    if kind in MEDICINES:
        return _medicine(case, item)
    held = case.of(item)
    if held.cls == "withdrawn":
        return f"withdrawn{f': {held.reason}' if held.reason else ''}"
    if held.cls == "void":
        return "entered in error: needs review"
    reason = _not_for_patient(item)
    return reason or _BY_KIND[kind](case, item)


def _not_for_patient(item: Item) -> str:
    if item.key.kind in ("gate", "question"):
        return f"a {item.key.kind} is the clinic's own work"
    if item.key.kind not in ("task", "instruction", "goal"):
        return ""
    theirs = not item.who and item.key.kind == "instruction"
    if item.words or theirs or any(word in item.who.lower() for word in _PEOPLE_AT_HOME):
        return ""
    return f"done by {item.who or 'staff'}, no patient words"


def _medicine(case: _Case, item: Item) -> Entry | str:
    held = case.of(item)
    if held.cls == "withdrawn" and held.withdrawn_by_us and not unlisted(item, case.plan, case.state):
        return "withdrawn: the medicine is no longer in the plan"
    if day := restarted(item, held, case.plan.surgery_day, case.as_of):
        return f"{RESTARTED} {day.isoformat()}"
    line = medicine_line(case.plan, item, case.state)
    answer = answer_in_force(item, held)
    told_ahead = answer is not None and to_come(answer.on, case.today)
    # Somebody took our hold away, or wrote a day of the answer that has not come: say nothing but the safe sentence.
    if held.cls in ("withdrawn", "void") or told_ahead:
        line = MedicineLine(line.name, "wait")
    return Entry(item.key, "medicine", line.name, case.language, medicine=line)


def _visit(case: _Case, item: Item) -> Entry | str:
    booking, entry = case.booking, _worded(case, item)
    if booking and booking.status in _OVER:  # not where its request is completed: schedulers do that with the booking
        return "attended"
    moment = booked_moment(booking, case.plan.zone) if booking and booking.status in _LIVE else None
    ahead = moment is not None and moment.day >= case.as_of
    if item.dates.window and _prepared(case, item.dates.window) and not ahead:
        return PREPARED
    if moment is not None:
        place: Place = "past" if moment.day < case.as_of else "day"
        return replace(entry, place=place, start=moment, booking=booking)
    entry = replace(entry, window=item.dates.window)
    target = item.dates.point
    window = item.dates.window
    if target is None and window is None:
        return _did_not_come(case, item) or _waiting(entry, item)
    if window and (target is None or target.day < case.as_of):
        return _dated(case, entry, window)
    return _dated(case, entry, Window(target, target)) if target else _waiting(entry, item)


def _work(case: _Case, item: Item) -> Entry | str:
    """Tasks, instructions and goals: a day, a span, or a wait."""
    entry = _worded(case, item)
    window = _days(case.plan, case.state, item, case.as_of)
    if window is None:
        return (
            "done"
            if _counts_as_done(case, item)
            else (_for_release(case, item) or _did_not_come(case, item) or _waiting(entry, item))
        )
    over = window.end.day < case.as_of
    if over and _counts_as_done(case, item):
        return "done"
    if over and item.key.kind == "instruction":
        return f"its last day was {window.end.day.isoformat()}"
    if _prepared(case, window):
        return PREPARED
    if stay_over(window.end.day, case.plan, case.state, case.as_of) == "-home":
        return WENT_HOME  # the list has it; the patient need not call because nobody ticked what let them go home
    done, once = _counts_as_done(case, item), item.key.kind == "task"
    return replace(_dated(case, entry, window), done=done, once=once, deadline=_deadline(item))


def _for_release(case: _Case, item: Item) -> str:
    """Why an instruction does not wait for a release any more, "" while it does: the rule that holds says enough."""
    gates = gates_in(item.phrase) if item.key.kind == "instruction" else ()
    last = waits_until(case.plan, case.state, item) if gates else None
    return f"no release of {gates[0]} by {last.isoformat()}" if last and last < case.as_of else ""


def _did_not_come(case: _Case, item: Item) -> str:
    """Why an item waits for its event no more, "" while it does: its phase is over, and the event may never be.

    Of an event that the pathway only awaits ("stitches were left in") most patients have none; nobody promises them a
    call for ever. Recorded later, it gives the item its days all the same.
    """
    anchor = case.plan.anchor(item.dates.awaited or "")
    if anchor is None or anchor.phrase or anchor.standing is not Standing.AWAITED or anchor.name in case.state.proven:
        return ""
    last = next((p.dates.last_day for p in case.plan.phases if p.name == item.phase), None)
    over = last is not None and last < case.as_of
    return f"no {anchor.name} recorded by the end of its phase, {last}" if over else ""


def _deadline(item: Item) -> bool:
    """True for a task of one day alone, as `by` says it: a point in time has an hour, a name or the day of its event.

    A plan that was read keeps the phrase, not whether `at` or `by` stood before it.
    """
    point = item.dates.point
    whole_day = point is not None and point.clock is None and item.dates.window is None
    named = item.key.occurrence or item.phrase.startswith("day of ") or not item.phrase[:1].isdigit()
    return item.key.kind == "task" and whole_day and not named


def _days(plan: Plan, state: State, item: Item, as_of: date) -> Window | None:
    """The days of a task, an instruction or a goal; None while they wait for something."""
    if item.key.kind == "instruction" and gates_in(item.phrase):
        return window_of(plan, state, item, as_of)
    point = item.dates.point
    return item.dates.window or (Window(point, point) if point is not None else None)


def _restriction(case: _Case, item: Item) -> Entry | str:
    """From its first day, until a recorded release; the earliest day of a release is never printed."""
    held, of_no_day = case.of(item), case.as_of == date.min
    waits = of_no_day and (held.cls != "done" or held.done_on is not None)  # its last day may be still to come
    if not waits and (_counts_as_done(case, item) or ended_on(case.state, item, case.as_of)):
        return RELEASED
    entry = _worded(case, item)
    start = item.dates.first
    return replace(entry, place="rule", start=start) if start else _waiting(entry, item)


_BY_KIND: Mapping[str, Callable[[_Case, Item], Entry | str]] = {
    "visit": _visit, "task": _work, "instruction": _work, "goal": _work, "restriction": _restriction,
}  # fmt: skip


def _prepared(case: _Case, window: Window) -> bool:
    """True for what prepared an operation whose day is over: nobody shall call now because of a class or a wash."""
    return by_a_past_surgery(window.end.day, case.plan.surgery_day, case.as_of)


def _acted_on(entry: Entry, moment: Moment) -> Moment:
    """Of a stop counted back from surgery, in an hour that comes twice, the first: who reads it acts then.

    The plan keeps the exact limit, the second; so the fast or the pause only gets longer.
    """
    return earlier_reading(moment) if moment.fold and " before " in entry.phrase else moment


def _dated(case: _Case, entry: Entry, window: Window) -> Entry:
    start, end = (_acted_on(entry, moment) for moment in (window.start, window.end))
    if window.end.day < case.as_of:
        return replace(entry, place="past", start=start, end=end)
    place: Place = "day" if window.start == window.end else "span"
    return replace(entry, place=place, start=start, end=end)


def _waiting(entry: Entry, item: Item) -> Entry:
    gates = gates_in(item.phrase) if item.key.kind == "instruction" else ()
    awaited = item.dates.awaited or (f"release of {gates[0]}" if gates else "other")
    return replace(entry, place="waiting", awaited=awaited)


def _worded(case: _Case, item: Item) -> Entry:
    """The entry with the patient's words; where they lack the language, the nearest text there is."""
    for language in (case.language, "en", *sorted(item.words)):
        if item.words.get(language):
            text, spoken = item.words[language], language
            break
    else:
        text, spoken = item.title, "en"
    unsure, open_fact = _assumed(case.plan, item), bool(item.undecided) and not case.ask_first
    made = Entry(item.key, "day", text, spoken, assumed=unsure, undecided=open_fact, phrase=item.phrase)
    return replace(made, ask_first=True) if case.ask_first else made


def _assumed(plan: Plan, item: Item) -> Unsure:
    """What is not sure where a phrase of the item counts from an anchor that is only assumed: its day, or its hour."""
    words = set(re.findall(r"[\w-]+", f"{item.phrase} {item.window_phrase}"))
    found = [a for a in plan.anchors if a.standing is Standing.ASSUMED and a.name in words]
    if not found:
        return ""
    return "hour" if all(_hours_before_surgery(plan, a) for a in found) else "day"


def _hours_before_surgery(plan: Plan, anchor: Anchor) -> bool:
    """True if an assumed moment lies on the day of surgery, which is known, and only its hour may change."""
    surgery, at = plan.anchor("surgery"), anchor.moment
    if surgery is None or surgery.moment is None or surgery.standing is Standing.ASSUMED:
        return False
    return at is not None and at.clock is not None and at.day == surgery.moment.day


def _counts_as_done(case: _Case, item: Item) -> bool:
    """Done, by the rule of the list and the gates: neither too early for the date in force nor on a day to come."""
    held = case.of(item)
    return held.was_done and done_counts(item, held.done_on, case.today)


def _facts(plan: Plan, state: State, item: Item, booking: Evidence | None) -> list[str]:
    held = state.items.get(item.key, ItemState(item.key))
    dates, line = item.dates, medicine_line(plan, item, state)
    window = dates.window
    if item.key.kind == "instruction" and gates_in(item.phrase):
        window = window_of(plan, state, item, date.min)
    seen: list[object] = [dates.point, window and window.start, window and window.end, dates.awaited,
                          *item.undecided]  # fmt: skip
    if item.key.kind in MEDICINES:
        again = restarted(item, held, plan.surgery_day, None)
        seen = [line.told, line.last_dose, line.limit, again, *([line.morning] if line.morning else [])]
    ended = item.key.kind == "restriction" and (held.cls == "done" or ended_on(state, item, date.min) is not None)
    moment = booked_moment(booking, plan.zone) if booking else None
    if series_of(item.phrase):
        seen.append(item.phrase)
    return [str(item.key), held.cls if held.cls in ("withdrawn", "void") else "", str(ended), str(moment or ""),
            *(str(v or "") for v in seen)]  # fmt: skip
