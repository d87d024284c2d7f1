"""The dated sheet that a patient keeps on the refrigerator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time, timedelta

from waykeeper.plan.model import Plan, State
from waykeeper.report.interface import Interface, data, interface
from waykeeper.report.medicine_lines import MedicineLine
from waykeeper.report.page import render
from waykeeper.report.permit import ensure_printable
from waykeeper.report.phrase_words import frequency, part_of_day
from waykeeper.report.selection import Bookings, Entry, Selection, check_code, select
from waykeeper.timing.model import FIRST_MINUTE, LAST_MINUTE, Moment


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One printed line: the item's key, its words, and the interface's sentences beneath them."""

    key: str
    text: str
    language: str
    clock: str = ""
    notes: tuple[str, ...] = ()
    done: bool = False


@dataclass(frozen=True, slots=True)
class SheetBlock:
    """A day or a span of days with its lines. `reminders` repeat the medicines of that day by name."""

    heading: str
    day: date
    days: int
    lines: tuple[SheetLine, ...]
    reminders: tuple[str, ...] = ()
    today: bool = False


@dataclass(frozen=True, slots=True)
class Replaced:
    """The sheet before: its surgery day, and its check code; "" where nothing could be printed of the plan before."""

    surgery: date | None
    code: str


def sheet_html(
    plan: Plan,
    state: State,
    *,
    as_of: date,
    language: str,
    checked_against: str | None,
    bookings: Bookings | None = None,
    replaces: Replaced | None = None,
) -> str:
    """The patient's sheet as one self-contained HTML file.

    checked_against   the server that the plan was read from; None: the sheet says that nobody checked it
    bookings          proven bookings by visit; without one a visit prints its target and "not booked yet"
    replaces          where the plan was moved: what is known of the sheet that this one replaces

    Raises WaykeeperError: WKO001 (died), WKO002 (withdrawn), WKO003 (surgery suspended), WKO004 (language).
    """
    ensure_printable(plan, state)
    words = interface(language)
    code = check_code(plan, state, bookings)
    chosen = select(plan, state, as_of=as_of, language=words.language, bookings=bookings)
    return render(
        "sheet.html.j2",
        style="sheet.css",
        i=words,
        head=_head(plan, words),
        made_on=words.date(as_of),
        code=code,
        checked=_checked(words, checked_against),
        unchecked=checked_against is None,
        replaced=_replaced(words, replaces, plan.surgery_day, code),
        new_answer=words.say("new_answer") if chosen.new_answer else "",
        medicines=[_medicine(words, e, as_of) for e in chosen.entries if e.medicine],
        blocks=_blocks(words, chosen, as_of),
        rules=[_rule(words, e, as_of) for e in _at(chosen, "rule")],
        waiting=[_line(words, e, _waiting_notes(words, plan, e)) for e in _at(chosen, "waiting")],
        past=[_line(words, e, _past_notes(words, e)) for e in _at(chosen, "past")],
        missing=_missing(words, plan, chosen),
        flags=_flags(words, plan, as_of),
        phones=_phones(words, plan),
    )  # fmt: skip


def _at(chosen: Selection, place: str) -> list[Entry]:
    found = [e for e in chosen.entries if e.place == place]
    return sorted(found, key=lambda e: (e.start.day if e.start else date.max, str(e.key)))


def _head(plan: Plan, words: Interface) -> dict[str, str]:
    surgery = words.date(plan.surgery_day) if plan.surgery_day else words.say("not_known_yet")
    return {
        "clinic": plan.letterhead.clinic,
        "name": plan.patient.name or plan.patient.identifier.value,
        "born": words.birth_date(plan.patient.birth_date) if plan.patient.birth_date else "",
        "pathway": pathway_words(plan, words),
        "version": words.say("version", version=plan.pathway.version),
        "surgery": surgery,
        "side": words.say(f"side_{plan.side}") if plan.side in ("left", "right") else "",
        "test": words.say("test_data") if plan.patient.test_data else "",
    }


def _checked(words: Interface, source: str | None) -> str:
    return words.say("not_checked") if source is None else words.say("checked", source=source)


def _replaced(words: Interface, was: Replaced | None, surgery: date | None, code: str) -> str:
    if was is None:
        return ""
    named = words.say("replaces_code", code=was.code) if was.code not in ("", code) else ""
    if was.surgery in (None, surgery):  # another anaesthetic changes days too
        return words.say("replaces_earlier", code=named)
    return words.say("replaces_surgery", date=words.date(was.surgery), code=named)


def _medicine(words: Interface, entry: Entry, as_of: date) -> SheetLine:
    line = entry.medicine
    assert line is not None
    return SheetLine(
        str(entry.key), line.name or words.say("this_medicine"), "", notes=medicine_notes(words, line, as_of)
    )


def medicine_notes(words: Interface, line: MedicineLine, as_of: date) -> tuple[str, ...]:
    """The sentences about one medicine. An unanswered one has exactly one, without any date."""
    if line.told == "continue":
        return _continue_notes(words, line, as_of)
    fixed = {"wait": "do_not_stop_or_start", "told": "told_by_prescriber"}
    if line.told in fixed:
        return (words.say(fixed[line.told]),)
    notes = [*_hold_notes(words, line, as_of)]
    if line.too_late and line.surgery and as_of <= line.surgery:
        notes.append(words.say("call_today_late"))
    notes.append(words.say("restart_when_told"))
    return (*notes, words.say("answered_line", by=line.by)) if line.by else tuple(notes)


def _continue_notes(words: Interface, line: MedicineLine, as_of: date) -> tuple[str, ...]:
    """Go on, and until surgery what is known of its morning: nobody shall have to guess it from `keep taking`."""
    first = words.say(_GOES_ON.get(line.morning, "continue_medicine"))
    then = _OF_THE_MORNING.get(line.morning)
    over = line.surgery is not None and as_of > line.surgery
    asks_today = line.surgery == as_of and line.morning in ("ask", "as needed")  # asked before: nobody answers at five
    return (first,) if then is None or over or asks_today else (first, words.say(then))


_GOES_ON = {"as needed": "take_as_needed", "use as needed": "take_as_needed", "rescue": "rescue_as_always"}
_OF_THE_MORNING = {
    "too": "morning_too", "ask": "morning_ask", "as needed": "morning_as_needed", "rescue": "rescue_bring",
}  # fmt: skip


def _hold_notes(words: Interface, line: MedicineLine, as_of: date) -> list[str]:
    """The days without a dose. A day that is over is never printed as an instruction."""
    first, last, dose = line.first_missed, line.surgery, line.last_dose
    if first is None or last is None or dose is None or as_of > last:
        return []
    if as_of > dose:
        return [words.say("no_dose_now", last=words.date(last))]
    exact = words.moment(line.limit) if line.limit and line.limit.day == dose else ""
    notes = [f"{words.say('last_limit')} {exact}"] if exact else [f"{words.say('last_dose')} {words.date(dose)}"]
    if line.limit and line.limit.day < dose:
        notes = [f"{words.say('last_limit')} {words.moment(line.limit)}"]
    one = words.say("no_dose_one", last=words.date(last))
    several = words.say("no_dose", first=words.date(first), last=words.date(last))
    return [*notes, one if first == last else several]


def _blocks(words: Interface, chosen: Selection, as_of: date) -> list[SheetBlock]:
    """Days and spans in order; within a day those without a time first, then by the clock."""
    groups: dict[tuple[date, date, str], list[Entry]] = {}
    for entry in (*_at(chosen, "day"), *_at(chosen, "span")):
        first = max(_start(entry).day, as_of)
        heading = _heading(words, entry, as_of)
        groups.setdefault((first, _end(entry).day, heading), []).append(entry)
    reminders = _reminders(words, chosen, as_of)
    for day in reminders:
        if not any(first == last == day for first, last, _ in groups):
            groups[(day, day, words.date(day))] = []
    return [
        SheetBlock(heading, first, (last - first).days + 1, _day_lines(words, entries, as_of),
                   tuple(reminders.get(first, ())) if first == last else (), first == last == as_of)
        for (first, last, heading), entries in sorted(groups.items(), key=lambda g: (g[0][0], g[0][1]))
    ]  # fmt: skip


def _heading(words: Interface, entry: Entry, as_of: date) -> str:
    start, end = _start(entry), _end(entry)
    if start.day == end.day:
        return words.date(start.day)
    start, end = _bare(start, FIRST_MINUTE), _bare(end, LAST_MINUTE)
    if entry.once and part_of_day(entry.phrase) == "morning":
        end = Moment(end.day)  # its hour is a label
    last = words.moment(end)
    if start.day < as_of:
        return words.say("span_from_now", last=last)
    first = words.moment(start) if start.clock or start.day.year != end.day.year else words.short_date(start.day)
    return words.say("span", first=first, last=last)


def _bare(moment: Moment, of_the_day: time) -> Moment:
    """The day alone where a span begins with its first minute, or ends with its last: that is the whole day."""
    return Moment(moment.day) if moment.clock == of_the_day else moment


def _day_lines(words: Interface, entries: list[Entry], as_of: date) -> tuple[SheetLine, ...]:
    ordered = sorted(entries, key=lambda e: (_sort_clock(e), str(e.key)))
    return tuple(_line(words, e, _notes(words, e, as_of)) for e in ordered)


def _sort_clock(entry: Entry) -> str:
    """Whole-day lines and what belongs to the morning come first: the morning's hour is a label, not an appointment."""
    start = _start(entry)
    return "" if start.clock is None or part_of_day(entry.phrase) == "morning" else start.clock.isoformat()


def _line(words: Interface, entry: Entry, notes: tuple[str, ...]) -> SheetLine:
    return SheetLine(str(entry.key), line_words(words, entry), entry.language, _clock(words, entry), notes, entry.done)


def line_words(words: Interface, entry: Entry) -> str:
    """The words of a line; of what an answer may forbid by now, that the patient asks before it is done."""
    kind = entry.key.kind
    if not entry.ask_first or entry.done or kind not in ("task", "instruction", "visit"):
        return entry.text
    return words.say("ask_first_visit" if kind == "visit" else "ask_first_do", text=entry.text)


def _clock(words: Interface, entry: Entry) -> str:
    start, end = entry.start, entry.end or entry.start
    if entry.place not in ("day", "span") or start is None or end is None or start.day != end.day:
        return ""
    if start.clock is None:
        return ""
    part = part_of_day(entry.phrase)
    if part and not entry.booking:
        return words.name("parts", part)
    text = words.clock(start.clock)
    if end.clock and entry.once and start.clock == FIRST_MINUTE:
        text, start = words.clock(end.clock), end  # one time to be done by, not a span
    elif end.clock and end.clock != start.clock:
        text = words.say("clock_span", first=text, last=words.clock(end.clock))
    return " ".join(filter(None, (text, words.which_hour(start))))


def _notes(words: Interface, entry: Entry, as_of: date) -> tuple[str, ...]:
    if entry.done:
        return ()
    notes: list[str] = []
    if entry.key.kind == "goal":
        notes.append(words.say("goal_by"))
    if entry.key.kind == "visit":
        notes += _visit_notes(words, entry, as_of)
    if entry.ask_first and entry.key.kind in ("task", "instruction"):
        return tuple(unsure_notes(words, entry))
    if entry.place == "span" and entry.once:
        notes.append(words.say("once_in_span"))
    if entry.place == "day" and entry.deadline:
        notes.append(words.say("do_by"))
    notes.append(frequency(words, entry.phrase))
    return tuple(n for n in (*notes, *unsure_notes(words, entry, as_of)) if n)


def unsure_notes(words: Interface, entry: Entry, as_of: date | None = None) -> list[str]:
    """What is not sure yet about an entry: whether it applies at all, and whether its day stands.

    as_of   the day of the page: of what has begun by then nobody can be asked to call before its day
    """
    begun = as_of is not None and entry.start is not None and entry.start.day <= as_of
    open_fact = "undecided_now" if begun else "undecided"
    said = ((open_fact, entry.undecided), ("ask_first", entry.ask_first), ("assumed_date", entry.assumed == "day"),
            ("assumed_hour", entry.assumed == "hour"))  # fmt: skip
    return [words.say(key) for key, is_so in said if is_so]


def _visit_notes(words: Interface, entry: Entry, as_of: date) -> list[str]:
    booking, window = entry.booking, entry.window
    if booking:
        place = [words.say("visit_place", site=booking.site)] if booking.site else []
        return [words.say("visit_booked"), *place, *([words.say("telehealth")] if booking.telehealth else [])]
    notes = [words.say("visit_span" if entry.place == "span" else "visit_target")]
    if window and window.start.day >= as_of and entry.place == "day":
        between = words.say("visit_between", first=words.date(window.start.day), last=words.date(window.end.day))
        notes.append(between)
    return [*notes, words.say("visit_call")]


def _reminders(words: Interface, chosen: Selection, as_of: date) -> Mapping[date, list[str]]:
    """Medicines by name: of answered holds on the last-dose day and the first day without, of others on the morning."""
    found: dict[date, list[str]] = _mornings(words, [e.medicine for e in chosen.entries if e.medicine], as_of)
    for line in (e.medicine for e in chosen.entries if e.medicine and e.medicine.told == "hold"):
        limit = line.limit.day if line.limit else line.last_dose
        for day, key in ((min(filter(None, (limit, line.last_dose))), "reminder_last"),
                         (line.first_missed, "reminder_first")):  # fmt: skip
            if day and day >= as_of:
                said = words.say(key, medicine=line.name or words.say("this_medicine"))
                if key == "reminder_last" and line.limit and line.limit.day == day and line.limit.clock:
                    said = f"{said}. {words.say('last_limit')} {words.moment(line.limit)}"
                found.setdefault(day, []).append(said)
    return found


def _mornings(words: Interface, lines: list[MedicineLine], as_of: date) -> dict[date, list[str]]:
    """What is taken on the morning of surgery by name, and on the weekday before that others are asked about."""
    found: dict[date, list[str]] = {}
    goes_on = [x for x in lines if x.told == "continue" and x.surgery is not None and x.surgery >= as_of]
    for line in (x for x in goes_on if x.morning == "too"):
        said = words.say("reminder_morning", medicine=line.name or words.say("this_medicine"))
        found.setdefault(line.surgery or as_of, []).append(said)
    for day in dict.fromkeys(_weekday_before(x.surgery) for x in goes_on if x.morning == "ask" and x.surgery):
        if day >= as_of:
            found.setdefault(day, []).append(words.say("reminder_ask"))
    return found


def _weekday_before(surgery: date) -> date:
    """The last day from Monday to Friday before surgery: on it somebody can be asked."""
    back = {0: 3, 6: 2}.get(surgery.weekday(), 1)
    return surgery - timedelta(back)


def _rule(words: Interface, entry: Entry, as_of: date) -> SheetLine:
    start = _start(entry)
    begins = words.say("rule_now") if start.day < as_of else words.say("rule_from", first=words.date(start.day))
    return _line(words, entry, (begins, *unsure_notes(words, entry, as_of)))


def _past_notes(words: Interface, entry: Entry) -> tuple[str, ...]:
    """For which days it was planned. Of several none is named as the day: nobody chose one."""
    first, last = _start(entry).day, _end(entry).day
    if entry.key.kind == "goal":
        days = words.say("goal_was", date=words.date(last))
    elif first == last:
        days = words.say("due_on", date=words.date(last))
    else:
        days = words.say("due_between", first=words.date(first), last=words.date(last))
    return (days, words.say("ask_first")) if entry.ask_first else (days,)


def _waiting_notes(words: Interface, plan: Plan, entry: Entry) -> tuple[str, ...]:
    event = event_words(words, plan, entry.awaited)
    told = words.say("waits_for_word" if entry.awaited.startswith("release of ") else "waits_for_call")
    goal = [words.say("goal")] if entry.key.kind == "goal" else []
    return (*goal, words.say("waits_for", event=event), told, *unsure_notes(words, entry))


def event_words(words: Interface, plan: Plan, event: str) -> str:
    """What an awaited event is called: an anchor's name in the language, or the title of a gate, visit or task."""
    for prefix, kinds, key in (("release of ", ("gate",), "event_release"), ("visit ", ("visit",), "event_visit"),
                               ("completion of ", ("task", "visit", "instruction"), "event_task")):  # fmt: skip
        if event.startswith(prefix):
            name = event.removeprefix(prefix)
            item = next((i for i in plan.items if i.key.kind in kinds and i.key.item == name), None)
            text = (item.words.get(words.language) or item.title) if item else name.replace("-", " ")
            return words.say(key, title=text)
    if event.startswith("the time of day of "):
        return words.say("event_clock", event=event_words(words, plan, event.removeprefix("the time of day of ")))
    return words.name("anchors", event) or words.name("anchors", "other")


def pathway_words(plan: Plan, words: Interface) -> str:
    """What the patient reads of the pathway: its words in the language, else its title."""
    return plan.pathway.words.get(words.language) or plan.pathway.title or plan.pathway.name


def _missing(words: Interface, plan: Plan, chosen: Selection) -> list[str]:
    """The items of the sheet that have no words in its language, by their title; before them the pathway's own."""
    title = plan.pathway.title or plan.pathway.name
    own = [] if words.language in ("en", *plan.pathway.words) else [title]
    return [*own, *(plan.item(key).title for key in chosen.missing)]


def _flags(words: Interface, plan: Plan, as_of: date) -> list[dict[str, object]]:
    """The tiers of red flags that apply: before surgery, after it, or always; a day either side shows both."""
    surgery = plan.surgery_day
    passed = surgery is not None and as_of > surgery + timedelta(days=1)
    tiers = [t for t in data("red_flags") if not (t["when"] == "before" and passed)]
    return [
        {"title": t["title"][words.language], "signs": t["signs"][words.language], "tier": t["tier"].replace(" ", "-"),
         "phone": next((plan.letterhead.telephone[r] for r in t["call"] if plan.letterhead.telephone.get(r)), "")}
        for t in tiers
    ]  # fmt: skip


def _phones(words: Interface, plan: Plan) -> list[tuple[str, str]]:
    """Role and number, in the order of the letterhead. A role of the clinic's own keeps the clinic's title."""
    head = plan.letterhead
    return [
        (words.name("roles", role, head.roles.get(role, role.replace("-", " "))), number)
        for role, number in head.telephone.items() if number
    ]  # fmt: skip


def _start(entry: Entry) -> Moment:
    assert entry.start is not None, "a dated entry has a start"
    return entry.start


def _end(entry: Entry) -> Moment:
    return entry.end or _start(entry)
