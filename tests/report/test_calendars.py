"""Calendar files, read back by icalendar, and by vobject and dateutil, which share no code with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta, timezone
from io import StringIO
from zoneinfo import ZoneInfo

import pytest
from dateutil.tz import tzical
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar, Event

from effort import examples
from merge.small import compiled
from report.builder import SURGERY, hold, item, moment, plan, point, said, visit
from report.caseload import report
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import Filters, narrow
from waykeeper.plan.model import Evidence, HoldAnswer, Identifier, ItemState, Key, Plan, State
from waykeeper.report.calendars import calendar_ics, calendar_left_out, cancelled_ics, todo_ics
from waykeeper.report.selection import select
from waykeeper.report.zone_rules import vtimezone
from waykeeper.timing.model import Dates

NOW = datetime(2026, 3, 1, 9, 30, tzinfo=timezone(timedelta(hours=-6)))
WARFARIN = Key("hold", "urn:rx|1")
NOTHING = State()


def ics(made: Plan, state: State = NOTHING, **options: object) -> bytes:
    values = {"sequence": 0, "now": NOW, "language": "en", **options}
    return calendar_ics(made, state, **values)  # type: ignore[arg-type]


def events(raw: bytes) -> dict[str, Event]:
    calendar = Calendar.from_ical(raw)
    found = [e for e in calendar.walk("VEVENT") if isinstance(e, Event)]
    by_uid = {str(e["UID"]): e for e in found}
    assert len(by_uid) == len(found), "a UID is there twice"
    return by_uid


def event(raw: bytes, made: Plan, key: Key, part: str = "calendar") -> Event:
    return events(raw)[made.episode.uuid(key.kind, key.item, part, key.occurrence)]


def answered(missed: int) -> State:
    return State({WARFARIN: ItemState(WARFARIN, answer=HoldAnswer("hold", missed, "Dr. Vale", date(2026, 2, 27)))})


def test_stamp_sequence_and_zone_are_always_there():
    for made in (plan(), replace(plan(), items=())):
        calendar = Calendar.from_ical(ics(made, sequence=4))
        assert [str(z["TZID"]) for z in calendar.walk("VTIMEZONE")] == ["America/Chicago"]
        for one in calendar.walk("VEVENT"):
            assert one["DTSTAMP"].dt == datetime(2026, 3, 1, 15, 30, tzinfo=UTC)
            assert int(one["SEQUENCE"]) == 4


def test_same_input_same_bytes_and_the_identity_outlives_a_move():
    made, moved = plan(), plan(SURGERY + timedelta(days=28))
    assert ics(made) == ics(made)
    assert set(events(ics(made))) == set(events(ics(moved, sequence=1))) - _taken_back(moved)


def _taken_back(made: Plan) -> set[str]:
    return {uid for uid, e in events(ics(made, sequence=1)).items() if e["STATUS"] == "CANCELLED"}


@settings(max_examples=examples(50), deadline=None)
@given(
    surgery=st.dates(date(2026, 1, 1), date(2028, 12, 31)),
    missed=st.integers(1, 28),
    sequence=st.integers(0, 3),
)
def test_an_unanswered_hold_has_no_day_and_no_alarm(surgery, missed, sequence):
    """The vector "unanswered warfarin hold: no date; no alarm" (common practice, no source)."""
    made = replace(plan(surgery), items=(hold("rx", "Warfarin 5 mg", missed, surgery),))
    raw = ics(made, sequence=sequence)
    assert b"VALARM" not in raw
    assert b"Warfarin" not in raw
    for one in events(raw).values():
        assert one["STATUS"] == "CANCELLED"
        assert sequence > 0
        assert one["DTSTART"].dt == surgery
    if sequence == 0:
        assert not events(raw)


def test_an_answered_hold_has_its_last_dose_day_and_its_days_without():
    """Warfarin, five missed days, surgery Wed 2026-03-18: last dose Thu 03-12, none 03-13 to 03-18."""
    made, raw = plan(), ics(plan(), answered(5))
    last = event(raw, made, WARFARIN, "calendar:last-dose")
    assert (last["DTSTART"].dt, last["DTEND"].dt) == (date(2026, 3, 12), date(2026, 3, 13))
    none = event(raw, made, WARFARIN, "calendar:no-dose")
    assert (none["DTSTART"].dt, none["DTEND"].dt) == (date(2026, 3, 13), date(2026, 3, 19))
    assert "Do not start it again until we tell you." in str(none["DESCRIPTION"])
    assert last.walk("VALARM")


# clinical.md: a pause that is counted in hours ends the doses at an hour, not with its day.
@pytest.mark.parametrize(("day", "stands"), [
    (date(2026, 3, 12), b"20260312T193000"), (date(2026, 3, 11), b"20260311T193000"), (date(2026, 3, 13), b"20260312"),
])  # fmt: skip
def test_a_last_dose_with_an_hour_stands_on_it(day, stands):
    made = plan()
    held = made.item(WARFARIN)
    timed = replace(held, hold=replace(held.hold, last_limit=replace(moment(day), clock=time(19, 30), zone=made.zone)))
    made = replace(made, items=tuple(timed if i.key == WARFARIN else i for i in made.items))
    assert event(ics(made, answered(5)), made, WARFARIN, "calendar:last-dose")["DTSTART"].to_ical() == stands


def test_the_rules_of_the_zone_begin_before_the_first_event_and_go_on_after_the_last():
    """RFC 5545 3.6.5: a VTIMEZONE must define the offset of every time that refers to it."""
    raw = ics(plan(), answered(5))
    days = [e["DTSTART"].to_ical()[:8].decode() for e in events(raw).values()]
    (zone,) = Calendar.from_ical(raw).walk("VTIMEZONE")
    onsets = [part["DTSTART"].to_ical()[:8].decode() for part in zone.subcomponents]
    assert min(onsets) < min(days) and max(onsets) > max(days)


@pytest.mark.parametrize(("day", "rings"), [(date(2026, 2, 20), True), (date(2026, 3, 20), False)])
def test_a_pause_rings_until_its_own_restart(day, rings):
    """As on the sheet: a restart of before the pause, or of a day to come, ends nothing."""
    made, own = plan(), replace(answered(5).items[WARFARIN], restarted_on=day)
    uid = made.episode.uuid(WARFARIN.kind, WARFARIN.item, "calendar:last-dose")
    later = datetime(2026, 3, 21, 9, 30, tzinfo=NOW.tzinfo)
    assert uid in events(ics(made, State({WARFARIN: own}))), "before the day of the restart"
    assert (uid in events(ics(made, State({WARFARIN: own}), now=later, sequence=1))) is rings


def test_an_answer_that_was_taken_back_takes_its_events_back():
    """After a move every confirmed hold needs approval again: the old alarm must stop."""
    made = plan()
    raw = ics(made, NOTHING, sequence=1)
    for part in ("calendar:last-dose", "calendar:no-dose"):
        gone = event(raw, made, WARFARIN, part)
        assert gone["STATUS"] == "CANCELLED"
        assert str(gone["SUMMARY"]) == "A step of the plan that is not needed any more"
        assert not gone.walk("VALARM")


@settings(max_examples=examples(40), deadline=None)
@given(classes=st.lists(st.sampled_from(["open", "busy", "done", "withdrawn", "void"]), min_size=25, max_size=25))
def test_every_item_has_an_event_or_is_left_out_with_a_reason(classes):
    made = plan()
    state = State({i.key: ItemState(i.key, cls=c) for i, c in zip(made.items, classes, strict=False)})
    raw = ics(made, state)
    uids = set(events(raw))
    left = {x.key for x in calendar_left_out(made, state, now=NOW)}
    for one in made.items:
        key = one.key
        parts = ("calendar", "calendar:last-dose", "calendar:no-dose")
        shown = any(made.episode.uuid(key.kind, key.item, p, key.occurrence) in uids for p in parts)
        assert shown is not (key in left), key


def test_a_restriction_released_too_early_is_in_the_calendar_until_its_earliest_day():
    """The sheet of the same day still printed it: no weight for six weeks, whoever looked at the film on day 23."""
    rule, film = Key("restriction", "no-weight"), Key("gate", "film-check")
    made = compiled(Identifier("https://alder-quay.example/mrn", "M-early"))
    assert made.item(rule).dates.earliest == date(2026, 4, 29)
    uid = made.episode.uuid(rule.kind, rule.item, "calendar")

    def told(day: date, **released: date) -> bool:
        own = {film: ItemState(film, "completed", "done", done_on=released.get("gate"))}
        own |= {rule: ItemState(rule, "completed", "done", done_on=released["own"])} if "own" in released else {}
        now = datetime.combine(day, time(12), NOW.tzinfo)
        shown = {uid in events(ics(made, State(own), now=now, sequence=n)) for n in (0, 5)}
        left = {x.key for x in calendar_left_out(made, State(own), now=now)}
        assert shown == {rule not in left}
        page = select(made, State(own), as_of=day, language="en").entries
        assert shown == {rule in {e.key for e in page}}, "the sheet of that day says the same"
        return shown == {True}

    early, end = date(2026, 4, 10), date(2026, 4, 29)
    assert told(date(2026, 4, 11), gate=early) and told(date(2026, 4, 28), gate=early)
    assert not told(end, gate=early) and not told(date(2026, 5, 10), gate=early)
    assert told(date(2026, 4, 30), gate=date(2026, 5, 1)), "recorded for a day that has not come"
    assert told(early, own=end) and not told(end, own=end)
    assert told(date(2026, 5, 10)), "of a day that nobody recorded"


def test_a_visit_stands_on_its_target_without_alarm_until_it_is_booked():
    made, key = plan(), Key("visit", "two-week")
    planned = event(ics(made), made, key)
    assert planned["DTSTART"].dt == date(2026, 4, 1)
    assert planned["STATUS"] == "TENTATIVE"
    assert "not booked yet" in str(planned["SUMMARY"])
    assert not planned.walk("VALARM")
    start = datetime(2026, 4, 1, 15, tzinfo=UTC)
    booking = Evidence("Appointment/1", "appointment", "booked", start=start, site="Room 3")
    booked = event(ics(made, bookings={key: booking}), made, key)
    assert booked["DTSTART"].dt == start
    assert booked["DTSTART"].to_ical() == b"20260401T100000"
    assert booked["DTEND"].dt - booked["DTSTART"].dt == timedelta(minutes=30)
    assert str(booked["LOCATION"]) == "Room 3"
    assert len(booked.walk("VALARM")) == 2


@pytest.mark.parametrize("end", [0, -30])
def test_a_booking_that_does_not_end_after_its_start_has_the_planned_length(end):
    """RFC 5545 3.8.2.2: "its value MUST be later in time than the value of the "DTSTART" property"."""
    made, key = plan(), Key("visit", "two-week")
    start = datetime(2026, 4, 1, 15, tzinfo=UTC)
    booking = Evidence(
        "Appointment/1", "appointment", "booked", day=start.date(), start=start, end=start + timedelta(minutes=end)
    )
    booked = event(ics(made, bookings={key: booking}), made, key)
    assert (booked["DTSTART"].dt, booked["DTEND"].dt) == (start, start + timedelta(minutes=made.item(key).minutes))


def test_the_morning_of_surgery_has_no_hour():
    """At 08:00, the clinic's morning, the patient of a 07:30 surgery has long left home."""
    made = plan()
    wash = event(ics(made), made, Key("task", "wash", "morning"))
    assert wash["DTSTART"].dt == SURGERY
    evening = event(ics(made), made, Key("task", "wash", "evening-1"))
    assert evening["DTSTART"].dt == datetime(2026, 3, 17, 20, 0, tzinfo=ZoneInfo("America/Chicago"))


def test_a_restriction_has_no_end():
    made = plan()
    rule = event(ics(made), made, Key("restriction", "no-weight"))
    assert (rule["DTSTART"].dt, rule["DTEND"].dt) == (SURGERY, SURGERY + timedelta(days=1))
    assert "until we tell you" in str(rule["SUMMARY"])


def test_a_task_with_days_to_choose_from_rings_for_its_last_day():
    made = plan()
    klass = event(ics(made), made, Key("task", "class"))
    assert klass["DTSTART"].dt == date(2026, 3, 4)
    assert str(klass["SUMMARY"]).startswith("By today: ")


def test_a_task_with_a_last_day_alone_rings_by_that_day():
    teeth = item("task", "dental-check", "Dentist", point(date(2026, 2, 25)), phrase="3 weeks before surgery",
                 who="patient", words=said("Get your teeth fixed."))  # fmt: skip
    made = plan(items=(teeth, *plan().items))
    rings = event(ics(made), made, teeth.key)
    assert (rings["DTSTART"].dt, str(rings["SUMMARY"])) == (date(2026, 2, 25), "By today: Get your teeth fixed.")
    assert len(rings.walk("VALARM")) == 2, "the day before too"


def test_withdrawn_items_are_cancelled_and_done_ones_silent():
    made, key = plan(), Key("task", "wash", "evening-1")
    gone = event(ics(made, State({key: ItemState(key, cls="withdrawn")}), sequence=2), made, key)
    assert gone["STATUS"] == "CANCELLED"
    assert not gone.walk("VALARM")
    done = event(ics(made, State({key: ItemState(key, cls="done", status="completed")})), made, key)
    assert done["STATUS"] == "CONFIRMED"
    assert not done.walk("VALARM")


def test_cancelled_calendar_takes_everything_away_and_names_nothing():
    made = replace(plan(), withdrawn="another clinic")
    raw = cancelled_ics(made, sequence=5, now=NOW, language="en")
    sent = set(events(ics(plan(), answered(5))))
    gone = events(raw)
    assert sent <= set(gone)
    assert {str(e["STATUS"]) for e in gone.values()} == {"CANCELLED"}
    assert {str(e["SUMMARY"]) for e in gone.values()} == {"A step of the plan that is not needed any more"}
    assert b"VALARM" not in raw


def test_nothing_for_the_dead_the_withdrawn_and_bad_numbers():
    for state, options, code in (
        (State(deceased=True), {}, "WKO001"), (State(plan_status="revoked"), {}, "WKO002"),
        (NOTHING, {"sequence": -1}, "WKO005"), (NOTHING, {"now": datetime(2026, 3, 1, 9)}, "WKO007"),  # noqa: DTZ001
        (NOTHING, {"language": "tlh"}, "WKO004"),
    ):  # fmt: skip
        with pytest.raises(WaykeeperError) as caught:
            ics(plan(), state, **options)
        assert caught.value.findings[0].code == code


def test_the_second_of_a_repeated_hour_is_written_in_utc():
    """Sun 2026-11-01 01:30 comes twice in Chicago: first 06:30Z, then 07:30Z (RFC 5545 3.3.5 means the first)."""
    first = moment(date(2026, 11, 1), time(1, 30))
    for fold, written in ((0, b"20261101T013000"), (1, b"20261101T073000Z")):
        at = replace(first, fold=fold)
        made = replace(plan(), items=(item("task", "pill", "Pill", Dates(at, at), who="patient", words=said("Pill")),))
        assert event(ics(made), made, Key("task", "pill"))["DTSTART"].to_ical() == written


@pytest.mark.parametrize("text", ["a\r\nBEGIN:VALARM\r\nX", "x;VALUE=1:2,3\\n", "\u202eevil", "é" * 200, "\x00\x07"])
def test_hostile_text_stays_in_its_line(text):
    made = replace(plan(), items=(visit("v", text, SURGERY, SURGERY, SURGERY, said(text, text)), hold("h", text, 2)))
    key = Key("visit", "v")
    booking = Evidence("Appointment/1", "appointment", "booked", day=SURGERY, site=text)
    raw = ics(made, bookings={key: booking})
    found = events(raw)
    assert len(found) == 1
    assert len(next(iter(found.values())).walk("VALARM")) == 1
    assert all(len(line) <= 75 for line in raw.split(b"\r\n"))


def test_a_second_library_reads_the_same_days_and_times():
    import vobject

    made, key = plan(), Key("visit", "two-week")
    booking = Evidence("A/1", "appointment", "booked", start=datetime(2026, 4, 1, 15, tzinfo=UTC))
    raw = ics(made, answered(5), bookings={key: booking})
    ours = events(raw)
    read = vobject.readOne(raw.decode())
    assert len(read.vevent_list) == len(ours)
    for one in read.vevent_list:
        mine = ours[one.uid.value]
        assert one.summary.value == str(mine["SUMMARY"])
        assert _plain(one.dtstart.value) == _plain(mine["DTSTART"].dt)
        if "DTEND" in mine:
            assert _plain(one.dtend.value) == _plain(mine["DTEND"].dt)
        assert len(getattr(one, "valarm_list", [])) == len(mine.walk("VALARM"))


def _plain(when: date | datetime) -> date | datetime:
    return when.astimezone(UTC) if isinstance(when, datetime) else when


@pytest.mark.parametrize(
    "zone",
    ["America/Chicago", "America/Phoenix", "Europe/London", "Europe/Dublin", "Australia/Lord_Howe", "America/St_Johns"],
)
def test_zone_rules_agree_with_the_zone_database_through_dateutil(zone):
    """Every half hour of the days around each change: dateutil reads our VTIMEZONE, zoneinfo reads the database."""
    written = vtimezone(zone, date(2025, 1, 1), date(2029, 1, 1)).to_ical().decode()
    calendar = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\n{written}END:VCALENDAR\r\n"
    theirs, ours = tzical(StringIO(calendar)).get(zone), ZoneInfo(zone)
    compared = 0
    for year in (2026, 2027, 2028):
        for month in (3, 4, 10, 11):
            instant = datetime(year, month, 1, tzinfo=UTC)
            while instant.month == month:
                wall = instant.astimezone(ours)
                if not (wall.fold or _twice(wall, ours)):
                    assert wall.replace(tzinfo=theirs).utcoffset() == wall.utcoffset(), (zone, wall)
                    compared += 1
                instant += timedelta(minutes=30)
    assert compared > 17000


def test_onsets_are_the_instants_of_the_law():
    """US clocks change at 2 a.m. local time (15 U.S.C. 260a): 2026-03-08T08:00Z and 2026-11-01T07:00Z in Chicago.

    RFC 5545 3.6.5: an onset is DTSTART in the local time of TZOFFSETFROM.
    """
    rules = vtimezone("America/Chicago", date(2026, 1, 1), date(2027, 1, 1))
    onsets = [p["DTSTART"].dt - p["TZOFFSETFROM"].td for p in rules.subcomponents[1:]]
    assert onsets == [datetime(2026, 3, 8, 8), datetime(2026, 11, 1, 7)]  # noqa: DTZ001 - UTC, written without zone


def _twice(wall: datetime, zone: ZoneInfo) -> bool:
    return wall.replace(fold=0).astimezone(UTC) != wall.replace(fold=1).astimezone(UTC) and zone is not None


def test_todos_of_the_coordinator():
    made = report()
    calendar = Calendar.from_ical(todo_ics(made, zone="America/Chicago", now=NOW))
    todos = calendar.walk("VTODO")
    assert len(todos) == len(made.gaps)
    assert len({str(t["UID"]) for t in todos}) == len(todos)
    assert all(r.patient not in str(t["SUMMARY"]) for r in made.gaps for t in todos if r.patient)
    assert {t["DUE"].dt for t in todos} == {r.by for r in made.gaps}
    assert str(calendar["X-WR-CALNAME"]) == "Care pathway gaps as of 2026-06-26"
    assert not any(".: " in str(t["SUMMARY"]) for t in todos)
    first = [r.next_action.removesuffix(".") for r in made.gaps]  # what to do comes first
    assert all(first) and all(str(t["SUMMARY"]).startswith(act) for t, act in zip(todos, first, strict=True))


def test_todos_of_a_narrowed_list_say_so_in_the_name_of_the_calendar():
    some = narrow(report(), Filters(owner="R. Tamm"))
    calendar = Calendar.from_ical(todo_ics(some, zone="America/Chicago", now=NOW))
    assert len(calendar.walk("VTODO")) == len(some.gaps)
    assert str(calendar["X-WR-CALNAME"]) == f"Care pathway gaps as of 2026-06-26, {some.narrowed}"
    assert some.narrowed.startswith("only owner R. Tamm: 1 of ")


@pytest.mark.parametrize(("language", "words"), [("en", "Your new ankle"), ("es", "Su tobillo nuevo")])
def test_the_calendar_is_named_in_the_patients_words(language, words):
    name = str(Calendar.from_ical(ics(plan(), language=language))["X-WR-CALNAME"])
    assert words in name and "Total ankle replacement" not in name


@pytest.mark.parametrize(("language", "words"), [("en", "Your goal by this day:"), ("es", "Su meta para este día:")])
def test_a_goal_rings_as_a_goal_and_not_as_leave(language, words):
    """`You walk with no cane` alone reads as the release that no date gives; the alarm has the event's words."""
    cane = item(
        "goal",
        "no-cane",
        "Walks",
        point(date(2026, 4, 29)),
        who="patient",
        words=said("You walk with no cane.", "Camina sin bastón."),
    )
    made = replace(plan(), items=(cane,))
    found = event(ics(made, language=language), made, cane.key)
    text = {"en": "You walk with no cane.", "es": "Camina sin bastón."}[language]
    assert found["SUMMARY"] == f"{words} {text}"
    assert [str(a["DESCRIPTION"]) for a in found.walk("VALARM")] == [f"{words} {text}"]
