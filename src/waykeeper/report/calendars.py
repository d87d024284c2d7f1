"""iCalendar files: the patient's plan, its withdrawal, and the coordinator's to-dos.

One event a dated item, under an identity that never changes (`Episode.uuid` with part `calendar`, first round), so
that a calendar program replaces an event by the one with the higher SEQUENCE. Text of an event holds no date.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from uuid import uuid5
from zoneinfo import ZoneInfo

from icalendar import Alarm, Calendar, Event, Todo

from waykeeper.findings import WaykeeperError, finding
from waykeeper.gaps.model import Row, Worklist
from waykeeper.plan.model import MEDICINES, NAMESPACE, Item, ItemState, Key, Plan, State
from waykeeper.report.interface import Interface, interface
from waykeeper.report.not_whole import NOT_WHOLE, WHAT_IT_LACKS, sentences_of
from waykeeper.report.permit import ensure_printable
from waykeeper.report.phrase_words import frequency, part_of_day
from waykeeper.report.plain import clean
from waykeeper.report.selection import RELEASED, RESTARTED, Bookings, Entry, LeftOut, check_code, select
from waykeeper.report.sheet import line_words, pathway_words, unsure_notes
from waykeeper.report.zone_rules import vtimezone
from waykeeper.timing.model import FIRST_MINUTE, LAST_MINUTE, Dates, Moment

PRODID = "-//Waykeeper//care pathway calendar//EN"
_MORNING_OF = timedelta(hours=9)  # an all-day alarm rings at 09:00 of its day
_EVENING_BEFORE = timedelta(hours=-5)  # at 19:00 the day before
_DAY_BEFORE = timedelta(days=-1)
_SHORTLY = timedelta(hours=-2)


@dataclass(frozen=True, slots=True)
class CalendarEvent:
    """One event before it is written. `start` and `end` are inclusive days or moments; `end` None: no length."""

    uid: str
    key: Key
    summary: str
    start: Moment
    end: Moment | datetime | None = None
    notes: tuple[str, ...] = ()
    place: str = ""
    alarms: tuple[timedelta, ...] = ()
    status: str = "CONFIRMED"


LARGEST = 2**31 - 1  # RFC 5545 3.3.8: an INTEGER is of 32 bits; a moment written as one number is too large


def calendar_ics(
    plan: Plan,
    state: State,
    *,
    sequence: int,
    now: datetime,
    language: str,
    bookings: Bookings | None = None,
    earlier: bool | None = None,
) -> bytes:
    """The patient's calendar. Unanswered holds, undated items and the clinic's own work are not in it.

    sequence   greater for each later calendar of a plan: only so a calendar program takes its events (RFC 5545)
    now        when it is made, an aware datetime; becomes DTSTAMP
    bookings   proven bookings by visit; a visit without one stands on its target day, tentative, without alarm
    earlier    whether the patient may hold an earlier calendar; where nobody says so, 0 is the sequence of a first one

    Items that were withdrawn or entered in error become cancelled events without alarm, so that a calendar that
    holds them lets them go; where there may be an earlier one so do items whose date or answer was taken back (a hold
    that must be approved again after a move would otherwise go on ringing on its old day). Raises WaykeeperError:
    WKO001 to WKO003 (nothing may be printed), WKO004 (language), WKO005 (sequence), WKO007 (now without zone).
    """
    ensure_printable(plan, state)
    words = interface(language)
    code = check_code(plan, state, bookings)
    ended = _ended(plan, state, now)
    events = [e for e in calendar_events(plan, state, words, bookings) if e.key not in ended]
    events += _cancelled_items(plan, state, words)
    if _checked(sequence) if earlier is None else earlier:
        events += _taken_back(plan, state, words, {e.key for e in events} | ended.keys())
    calendar = _calendar(plan.zone, words.say("calendar_name", pathway=pathway_words(plan, words)))
    caution = words.say("calendar_caution", code=code)
    for event in events:
        calendar.add_component(_event(event, plan.zone, sequence, _stamp(now), caution))
    return _with_zone(calendar, plan.zone, [e.start.day for e in events])


def _ended(plan: Plan, state: State, now: datetime) -> dict[Key, LeftOut]:
    """What has ended by the day on which a calendar is made, as the sheet of that day has it: restrictions, pauses."""
    today = _stamp(now).astimezone(ZoneInfo(plan.zone)).date()
    left = select(plan, state, as_of=today, language="en").left_out
    return {x.key: x for x in left if x.reason == RELEASED or x.reason.startswith(RESTARTED)}


def calendar_left_out(
    plan: Plan, state: State, *, now: datetime, bookings: Bookings | None = None
) -> tuple[LeftOut, ...]:
    """Every item that the calendar has no event for, with the reason; with the events' keys, all of the plan."""
    ended = _ended(plan, state, now)
    chosen = select(plan, state, as_of=date.min, language="en", bookings=bookings)
    shown = {e.key for e in calendar_events(plan, state, interface("en"), bookings)} - ended.keys()
    gone = {e.key for e in _cancelled_items(plan, state, interface("en"))}
    unseen = [e for e in chosen.entries if e.key not in shown]
    silent = [ended.get(e.key) or LeftOut(e.key, plan.item(e.key).title, _why_silent(e)) for e in unseen]
    return tuple(x for x in (*chosen.left_out, *silent) if x.key not in gone)


def cancelled_ics(plan: Plan, *, sequence: int, now: datetime, language: str) -> bytes:
    """A calendar that only takes events away: each that the patient may hold, cancelled, nameless, without alarm.

    For a plan that was withdrawn or a patient who died: it stops what would still ring. It is made only when a
    person asks for it. Raises WaykeeperError: WKO004, WKO005, WKO007.
    """
    words = interface(language)
    calendar = _calendar(plan.zone, words.say("cancelled_summary"))
    gone = [e for item in plan.items for e in _gone(plan, item, words)]
    for event in gone:
        calendar.add_component(_event(event, plan.zone, _checked(sequence), _stamp(now), ""))
    return _with_zone(calendar, plan.zone, [e.start.day for e in gone])


def calendar_events(plan: Plan, state: State, words: Interface, bookings: Bookings | None) -> list[CalendarEvent]:
    """The events of a plan in its order: what has a day and may be told. What is done rings no more."""
    chosen = select(plan, state, as_of=date.min, language=words.language, bookings=bookings)
    events: list[CalendarEvent] = []
    for entry in chosen.entries:
        if entry.medicine:
            events += _hold_events(plan, entry, words)
        elif entry.start:
            event = _entry_event(plan, entry, words)
            events.append(replace(event, alarms=()) if entry.done else event)
    return events


def todo_ics(worklist: Worklist, *, zone: str, now: datetime) -> bytes:
    """The coordinator's open gaps as to-dos, due on the day by which somebody must act. Names are shortened.

    Snoozed rows come back in the report by themselves and are not in it. DTSTAMP is `now` (aware; WKO007).
    """
    part = f", {worklist.narrowed}" if worklist.narrowed else ""
    calendar = _calendar(zone, f"Care pathway gaps as of {worklist.as_of.isoformat()}{part}")
    if worklist.lacking:
        calendar.add_component(_whole_again(worklist, _stamp(now)))
    for row in worklist.gaps:
        calendar.add_component(_todo(row, worklist.as_of, _stamp(now)))
    return _with_zone(calendar, zone, [worklist.as_of])


def _uid(plan: Plan, key: Key, part: str = "calendar") -> str:
    return plan.episode.uuid(key.kind, key.item, part, key.occurrence)


def _why_silent(entry: Entry) -> str:
    if entry.medicine:
        return "no date and no alarm before a prescriber has answered" if entry.medicine.told == "wait" else "no date"
    return f"waits for {entry.awaited}"


def _entry_event(plan: Plan, entry: Entry, words: Interface) -> CalendarEvent:
    assert entry.start is not None
    item, uid = plan.item(entry.key), _uid(plan, entry.key)
    if entry.key.kind == "visit":
        return _visit_event(plan, entry, words, item)
    notes = ["" if entry.ask_first else frequency(words, entry.phrase), *unsure_notes(words, entry)]
    told = tuple(n for n in notes if n)
    if entry.place == "rule":
        day = Moment(entry.start.day)
        return CalendarEvent(uid, entry.key, words.say("rule_summary", title=entry.text), day, day, told)
    start, end, alarms = _timed(plan, entry)
    by = entry.deadline or (entry.place == "span" and entry.once)
    if by and end is not None and not entry.ask_first:
        at_an_hour = end.clock not in (None, LAST_MINUTE)  # the last minute is that of a whole day
        if at_an_hour and part_of_day(entry.phrase) != "morning":  # it rings then, and a day before
            return CalendarEvent(uid, entry.key, entry.text, end, None, told, alarms=(_DAY_BEFORE, timedelta(0)))
        due, summary = Moment(end.day), words.say("by_today", title=entry.text)
        return CalendarEvent(uid, entry.key, summary, due, due, told, alarms=(_DAY_BEFORE + _MORNING_OF, _MORNING_OF))
    text = line_words(words, entry)
    if entry.key.kind == "goal":  # alone it would ring as if somebody had said that the patient may
        text = words.say("goal_summary", title=text)
    return CalendarEvent(uid, entry.key, text, start, end, told, alarms=alarms)


def _timed(plan: Plan, entry: Entry) -> tuple[Moment, Moment | None, tuple[timedelta, ...]]:
    """Start, end and alarms. The morning of surgery has no hour: it lies before leaving home, whenever that is."""
    assert entry.start is not None
    end = entry.end or entry.start
    start = end if entry.start.day == date.min else entry.start  # `until ...`: its last day alone is known
    surgery = plan.anchor("surgery")
    leaving = surgery is not None and surgery.moment is not None and surgery.moment.day == start.day
    if leaving and part_of_day(entry.phrase) == "morning":
        return Moment(start.day), Moment(start.day), (_EVENING_BEFORE,)
    if start.clock is None or end.clock is None:
        return Moment(start.day), Moment(end.day), (_MORNING_OF,)
    if start != end and start.clock == FIRST_MINUTE:  # a whole day to begin with: nobody is woken at midnight
        return start, end, (_MORNING_OF if start.day < end.day else _EVENING_BEFORE,)
    return start, None if start == end else end, (timedelta(0),)


def _visit_event(plan: Plan, entry: Entry, words: Interface, item: Item) -> CalendarEvent:
    assert entry.start is not None
    uid, booking, text = _uid(plan, entry.key), entry.booking, line_words(words, entry)
    asks = tuple(unsure_notes(words, entry)) if entry.ask_first else ()
    if booking is None:
        summary = words.say("not_booked_summary", title=text)
        notes = (words.say("visit_target"), words.say("visit_call"), *asks)
        day = Moment(entry.start.day)
        return CalendarEvent(uid, entry.key, summary, day, day, notes, status="TENTATIVE")
    if entry.start.clock is None:
        day, alarms = Moment(entry.start.day), (_EVENING_BEFORE,)
        return CalendarEvent(uid, entry.key, text, day, day, asks, booking.site, alarms)
    start, length = booking.start, item.minutes or booking.minutes
    own = booking.end if booking.end and start and booking.end > start else None  # RFC 5545 3.8.2.2: an end is later
    end = own or (start + timedelta(minutes=length) if start and length else None)
    return CalendarEvent(uid, entry.key, text, entry.start, end, asks, booking.site, (_DAY_BEFORE, _SHORTLY))


def _hold_events(plan: Plan, entry: Entry, words: Interface) -> list[CalendarEvent]:
    """Two events for an answered hold: the last-dose day and the days without. None for anything else."""
    line = entry.medicine
    if line is None or line.told != "hold" or line.last_dose is None or line.first_missed is None:
        return []
    name = line.name or words.say("this_medicine")
    last = line.limit if line.limit and line.limit.day <= line.last_dose else Moment(line.last_dose)
    until = Moment(line.surgery or line.first_missed)
    stop, none = _uid(plan, entry.key, "calendar:last-dose"), _uid(plan, entry.key, "calendar:no-dose")
    restart = (words.say("restart_when_told"),)
    return [
        CalendarEvent(stop, entry.key, words.say("last_dose_summary", medicine=name), last,
                      None if last.clock else last, alarms=(_SHORTLY if last.clock else _MORNING_OF,)),
        CalendarEvent(none, entry.key, words.say("no_dose_summary", medicine=name), Moment(line.first_missed), until,
                      restart, alarms=(_MORNING_OF,)),
    ]  # fmt: skip


def _cancelled_items(plan: Plan, state: State, words: Interface) -> list[CalendarEvent]:
    """Events of items that were withdrawn or entered in error since an earlier calendar, where they would be in one."""
    gone = [i for i in plan.items if state.items.get(i.key, ItemState(i.key)).cls in ("withdrawn", "void")]
    names = {i.key for i in gone}
    open_still = replace(state, items={key: own for key, own in state.items.items() if key not in names})
    told = {e.key for e in select(plan, open_still, as_of=date.min, language=words.language).entries}
    return [event for item in gone if item.key in told for event in _gone(plan, item, words)]


def _taken_back(plan: Plan, state: State, words: Interface, shown: set[Key]) -> list[CalendarEvent]:
    """Cancelled events of what has no event now but may have had one. They stand on the day of surgery."""
    chosen = select(plan, state, as_of=date.min, language=words.language)
    silent = [plan.item(e.key) for e in chosen.entries if e.key not in shown]
    return [event for item in silent for event in _gone(plan, replace(item, dates=Dates()), words)]


def _gone(plan: Plan, item: Item, words: Interface) -> list[CalendarEvent]:
    """The cancelled events of an item: on its own day, a hold's on the day of surgery (its own may be unanswered)."""
    medicine = item.key.kind in MEDICINES
    parts = ("calendar:last-dose", "calendar:no-dose") if medicine else ("calendar",)
    window, anchor = item.dates.window, plan.anchor("surgery")
    own = item.dates.point or (None if window is None else window.end if window.open_start else window.start)
    start = (None if medicine else own) or (anchor.moment if anchor else None)
    if start is None:
        return []
    day, name = Moment(start.day), words.say("cancelled_summary")
    return [CalendarEvent(_uid(plan, item.key, p), item.key, name, day, day, status="CANCELLED") for p in parts]


def _calendar(zone: str, name: str) -> Calendar:
    calendar = Calendar()
    calendar.add("prodid", PRODID)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", name)
    calendar.add("x-wr-timezone", zone)
    return calendar


def _event(found: CalendarEvent, zone: str, sequence: int, stamp: datetime, caution: str) -> Event:
    event = Event()
    event.add("uid", found.uid)
    event.add("dtstamp", stamp)
    event.add("sequence", sequence)
    event.add("summary", clean(found.summary))
    event.add("status", found.status)
    event.add("class", "PRIVATE")
    event.add("transp", "OPAQUE" if found.start.clock and found.place else "TRANSPARENT")
    _when(event, found, zone)
    text = "\n".join(map(clean, [*found.notes, *([caution] if caution else [])]))
    if text:
        event.add("description", text)
    if found.place:
        event.add("location", clean(found.place))
    for trigger in found.alarms:  # a cancelled event has none
        event.add_component(_alarm(trigger, clean(found.summary)))
    return event


def _when(event: Event, found: CalendarEvent, zone: str) -> None:
    """Days as DATE with the exclusive end of RFC 5545; times in the zone, the second of a repeated hour in UTC."""
    start, end = found.start, found.end
    if start.clock is None:
        last = end.day if isinstance(end, Moment) else start.day
        event.add("dtstart", start.day)
        event.add("dtend", last + timedelta(days=1))
        return
    event.add("dtstart", _instant(start, zone))
    if isinstance(end, Moment) and end.clock is not None:
        event.add("dtend", _instant(end, zone))
    elif isinstance(end, datetime):
        local = end.astimezone(ZoneInfo(zone))
        event.add("dtend", local.astimezone(UTC) if local.fold else local)


def _instant(moment: Moment, zone: str) -> datetime:
    """A TZID time that comes twice means its first reading (RFC 5545 3.3.5), so the second one is written in UTC."""
    assert moment.clock is not None
    local = datetime.combine(moment.day, moment.clock.replace(fold=moment.fold), ZoneInfo(moment.zone or zone))
    return local.astimezone(UTC) if moment.fold else local


def _alarm(trigger: timedelta, text: str) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", text)
    alarm.add("trigger", trigger)
    return alarm


def _todo(row: Row, as_of: date, stamp: datetime) -> Todo:
    summary = f"{(row.next_action or row.verdict).removesuffix('.')}: {row.title} ({short_name(row.patient)})"
    about = f"{row.verdict}, severity {row.severity}. {row.reason}"
    uid = _todo_uid(row.identifier, str(row.episode), row.pathway, row.item)
    return _to_do(uid, (summary, about), row.by or as_of, row.severity, stamp)


def _whole_again(worklist: Worklist, stamp: datetime) -> Todo:
    """The first thing to do in a list that is not whole; the day is in its name, as tomorrow it may be."""
    about = " ".join((WHAT_IT_LACKS, *sentences_of(worklist.lacking)))
    return _to_do(_todo_uid("whole", worklist.as_of.isoformat()), (NOT_WHOLE, about), worklist.as_of, 3, stamp)


def _to_do(uid: str, told: tuple[str, str], due: date, severity: int, stamp: datetime) -> Todo:
    """A to-do. `told`: its summary and its description."""
    todo = Todo()
    todo.add("uid", uid)
    todo.add("dtstamp", stamp)
    todo.add("summary", clean(told[0]))
    todo.add("description", clean(told[1]))
    todo.add("due", due)
    todo.add("priority", {3: 1, 2: 4}.get(severity, 7))
    todo.add("class", "PRIVATE")
    todo.add("status", "NEEDS-ACTION")
    return todo


def _todo_uid(*about: str) -> str:
    return str(uuid5(NAMESPACE, "\x1f".join(("todo", *about))))


def short_name(name: str) -> str:
    """Initials: `M. O.`; what a list that may lie about shows of a name."""
    return " ".join(f"{part[0]}." for part in name.split() if part)


def _checked(sequence: int) -> int:
    if isinstance(sequence, bool) or not 0 <= sequence <= LARGEST:
        raise WaykeeperError(finding("WKO005", f"sequence {sequence} is not a whole number from 0 to {LARGEST}"))
    return sequence


def _stamp(now: datetime) -> datetime:
    if now.tzinfo is None:
        raise WaykeeperError(finding("WKO007", "the time of making has no zone"))
    return now.astimezone(UTC).replace(microsecond=0)


def _with_zone(calendar: Calendar, zone: str, days: Iterable[date]) -> bytes:
    """Add the VTIMEZONE (first, always) that covers all days, and write the file."""
    known = sorted(days) or [date(2000, 1, 1)]
    first, last = date(known[0].year - 1, 1, 1), date(known[-1].year + 3, 1, 1)
    calendar.subcomponents.insert(0, vtimezone(zone, first, last))
    return bytes(calendar.to_ical())
