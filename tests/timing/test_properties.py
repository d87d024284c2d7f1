"""Laws over generated phrases, dates and zones, and second opinions from dateutil and icalendar."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import DAILY, MONTHLY, WEEKLY, YEARLY, rrule, rrulestr
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from icalendar import vRecur

from waykeeper.timing import (
    Awaited,
    Moment,
    Occurrences,
    PhraseError,
    TimingError,
    Unit,
    Window,
    WorkingCalendar,
    add_elapsed,
    add_months,
    calendar_for,
    contains,
    events,
    grammar_table,
    parse,
    precision,
    read_wall,
    resolve,
    roll,
    spelling,
    working_days_after,
    working_days_before,
)
from waykeeper.timing.phrases import (
    Around,
    At,
    Between,
    Clock,
    DayOf,
    Event,
    Offset,
    Pick,
    Series,
    Until,
    Within,
)


def law(*strategies, **named):
    """`given`, with a modest number of examples and no deadline (machines are shared)."""
    return lambda test: settings(max_examples=60, deadline=None)(given(*strategies, **named)(test))


ZONES = (
    "America/Chicago",
    "Europe/Berlin",
    "Australia/Lord_Howe",
    "America/Phoenix",
    "Asia/Kolkata",
    "Asia/Kathmandu",
    "America/St_Johns",
    "UTC",
)
PARTS = {"morning": time(8), "afternoon": time(13), "evening": time(20)}
CALENDAR = calendar_for("US", range(2020, 2045), parts=PARTS, zone="America/Chicago")
EVERY_DAY = WorkingCalendar("America/Chicago", weekdays=frozenset(range(7)), parts=PARTS)

days = st.dates(date(2020, 1, 1), date(2040, 12, 31))
clocks = st.builds(time, st.integers(0, 23), st.integers(0, 59))
zones = st.sampled_from(ZONES)
counts = st.integers(1, 60)
sides = st.sampled_from(["before", "after"])
names = st.from_regex(r"[a-z][a-z0-9]{0,5}(-[a-z0-9]{1,4})?", fullmatch=True).map(lambda n: f"x{n}")
anchors = st.builds(Event, st.just("anchor"), names)
all_events = st.one_of(
    anchors,
    st.just(Event("target", "target")),
    st.builds(Event, st.sampled_from(["release", "completion"]), names),
)
wall_clocks = st.one_of(
    st.builds(Clock, at=clocks), st.builds(Clock, part=st.sampled_from(["morning", "afternoon", "evening"]))
)
calendar_units = st.sampled_from([u for u in Unit if not u.elapsed])
offsets = st.one_of(
    st.builds(Offset, counts, st.sampled_from(list(Unit)), sides, all_events),
    st.builds(Offset, counts, calendar_units, sides, st.one_of(all_events, st.builds(Event, st.just("visit"), names))),
    st.builds(Offset, counts, calendar_units, sides, all_events, wall_clocks),
)
visits = st.builds(Event, st.just("visit"), names)
visit_days = st.builds(DayOf, visits, wall_clocks) | st.builds(At, visits)
event_days = st.builds(DayOf, all_events, st.none() | wall_clocks)
simple_points = st.one_of(offsets, event_days, visit_days, st.builds(At, all_events))
points = st.one_of(
    simple_points,
    st.builds(Pick, st.sampled_from(["later", "earlier"]), simple_points, simple_points).filter(
        lambda p: p.first != p.second
    ),
)
spans = st.one_of(
    st.builds(Within, counts, st.sampled_from(list(Unit)), sides, all_events),
    st.builds(Around, counts, st.sampled_from(list(Unit)), all_events),
    st.builds(lambda a, b, *rest: Between(a, a + b, *rest), counts, counts, calendar_units, sides, all_events),
    st.builds(Until, points),
)
series = st.one_of(
    st.builds(Series, counts, calendar_units, spans, condition=st.sampled_from(["", "as needed", "while awake"])),
    st.builds(Series, st.just(1), st.just(Unit.DAY), spans, st.lists(wall_clocks, unique=True, max_size=3).map(tuple)),
)
phrases = st.one_of(points, spans, series)


# --- language


@law(phrases)
def test_print_then_parse_is_the_same_phrase(phrase):
    text = str(phrase)
    assert parse(text) == phrase
    assert spelling(text) is None


EXAMPLES = [text for p in grammar_table()["productions"].values() for text in p["accepts"]]
WORDS = st.sampled_from(sorted({word for text in EXAMPLES for word in text.split()}))


TEXTS = st.one_of(st.text(max_size=60), st.lists(WORDS, max_size=14).map(" ".join), st.text(min_size=290, max_size=320))
STRANGE = ["later of " * 30, "\u0663 days after surgery", "\u0130 days after surgery", f"{'9' * 90} days after surgery"]


@law(TEXTS | st.sampled_from(STRANGE))
def test_any_text_is_a_phrase_or_a_phrase_error(text):
    try:
        phrase = parse(text)
    except PhraseError as error:
        assert 0 <= error.offset <= len(text)
        assert error.details
        assert error.findings[0].code == error.code
    else:
        right = str(phrase)
        assert parse(right) == phrase
        assert spelling(right) is None
        assert events(phrase)
        assert precision(phrase) in ("day", "minute", "event")


@law(phrases, days, st.none() | clocks)
def test_resolving_gives_a_date_or_says_why_not(phrase, day, clock):
    known = {str(e): Moment(day, clock, "America/Chicago" if clock else "") for e in events(phrase)}
    calendar = WorkingCalendar("America/Chicago", parts=PARTS)
    try:
        found = resolve(phrase, known, calendar)
    except TimingError as error:
        assert error.code in ("WKT201", "WKT203", "WKT208")
        return
    if isinstance(found, Window):
        assert found.start.day <= found.end.day
    elif isinstance(found, Occurrences):
        for one, other in pairwise(found.first(5)):
            assert one.day <= other.day
    else:
        assert isinstance(found, Moment)
        if precision(phrase) == "day":
            assert found.whole_day


@law(phrases, days)
def test_an_awaited_event_gives_no_date(phrase, day):
    first, *others = sorted(map(str, events(phrase)))
    known = {first: None} | {other: Moment(day) for other in others}
    assert resolve(phrase, known, WorkingCalendar("UTC", parts=PARTS)) == Awaited(first)


# --- calendar arithmetic


@law(days, st.integers(-600, 600))
def test_months_against_relativedelta(day, months):
    assert add_months(day, months) == day + relativedelta(months=months)


@law(days, st.integers(-400, 400), counts, sides, st.sampled_from([Unit.DAY, Unit.WEEK]))
def test_moving_the_anchor_moves_every_day_by_as_much(day, n, count, side, unit):
    phrase = Offset(count, unit, side, Event("anchor", "surgery"))
    before = resolve(phrase, {"surgery": Moment(day)}, CALENDAR)
    after = resolve(phrase, {"surgery": Moment(day + timedelta(days=n))}, CALENDAR)
    assert after.day - before.day == timedelta(days=n)


@law(days, clocks, zones, st.integers(1, 400))
def test_days_ignore_the_clock_and_its_changes(day, clock, zone, count):
    calendar = WorkingCalendar(zone)
    for side, sign in (("before", -1), ("after", 1)):
        phrase = Offset(count, Unit.DAY, side, Event("anchor", "surgery"))
        found = resolve(phrase, {"surgery": Moment(day, clock, zone)}, calendar)
        assert found == Moment(day + timedelta(days=sign * count))


@law(days, st.integers(1, 3), st.integers(1, 12))
def test_series_of_days_and_weeks_against_rrule(day, step, count):
    start = datetime.combine(day, time())
    end = start + timedelta(days=60)
    known = {"surgery": Moment(day)}
    for word, frequency in ((f"{step} days", DAILY), (f"{step} weeks", WEEKLY)):
        text = f"every {word} within 60 days after surgery".replace("1 days", "1 day").replace("1 weeks", "1 week")
        found = resolve(parse(text), known, CALENDAR)
        assert [m.day for m in found] == [d.date() for d in rrule(frequency, start, step, until=end)]
        assert found.first(count) == tuple(found)[:count]


@law(days, st.integers(1, 7), st.integers(1, 24))
def test_series_of_months_against_rrule_and_icalendar(day, step, months):
    """RFC 5545 skips months without the day; our clipping is its `BYMONTHDAY=28..day;BYSETPOS=-1`."""
    known = {"surgery": Moment(day)}
    every = "1 month" if step == 1 else f"{step} months"
    reach = "1 month" if months == 1 else f"{months} months"
    found = [m.day for m in resolve(parse(f"every {every} within {reach} after surgery"), known, CALENDAR)]
    start, end = datetime.combine(day, time()), datetime.combine(add_months(day, months), time())
    clipped = list(range(min(day.day, 28), day.day + 1))
    ours = rrule(MONTHLY, start, step, bymonthday=clipped, bysetpos=-1, until=end)
    assert found == [d.date() for d in ours]
    rule = vRecur(freq="MONTHLY", interval=step, bymonthday=clipped, bysetpos=-1, until=end)
    written = vRecur.from_ical(rule.to_ical().decode()).to_ical().decode()
    assert found == [d.date() for d in rrulestr(written, dtstart=start)]


@law(days)
def test_series_of_years_against_rrule(day):
    assume((day.month, day.day) != (2, 29))  # RFC 5545 skips it; ours clips it, see the cases
    found = resolve(parse("every 1 year within 5 years after surgery"), {"surgery": Moment(day)}, CALENDAR)
    start = datetime.combine(day, time())
    assert [m.day for m in found] == [d.date() for d in rrule(YEARLY, start, count=6)]


@law(days, st.integers(1, 11))
def test_a_clipped_start_does_not_clip_what_follows(day, months):
    text = f"every 1 month from {months} months after surgery to 5 years after surgery".replace(" 1 months", " 1 month")
    found = resolve(parse(text), {"surgery": Moment(day)}, CALENDAR).first(24)
    assert [m.day for m in found] == [day + relativedelta(months=months + k) for k in range(24)]


# --- time


@law(days, clocks, zones, st.integers(-5000, 5000))
def test_elapsed_minutes_are_elapsed(day, clock, zone, minutes):
    start = read_wall(day, clock, zone, "recorded").moment
    end = add_elapsed(start, minutes)
    assert end.instant().astimezone(UTC) - start.instant().astimezone(UTC) == timedelta(minutes=minutes)
    assert add_elapsed(end, -minutes) == start


@law(st.data(), zones, st.integers(2024, 2032))
def test_both_readings_in_the_weeks_when_clocks_change(data, zone, year):
    changes = _changing_days(zone, year) or [date(year, 3, 8)]
    day = data.draw(st.sampled_from(changes))
    clock = data.draw(st.builds(time, st.integers(0, 4), st.integers(0, 59)))
    stop = read_wall(day, clock, zone, "latest_allowed")
    allowed = read_wall(day, clock, zone, "earliest_allowed")
    first, second = (r.moment.instant().astimezone(UTC) for r in (stop, allowed))
    assert first <= second
    assert (first == second) == (stop.exists == "once")
    assert read_wall(day, clock, zone, "recorded").moment == allowed.moment
    for reading in (stop, allowed):
        wall = (reading.moment.day, reading.moment.clock)
        assert (wall == (day, clock)) == (reading.exists != "never")
        assert (reading.finding is None) == (reading.exists != "never")
        again = read_wall(*wall, zone, "latest_allowed")
        assert again.exists != "never"


def _changing_days(zone, year):
    noon = [Moment(date(year, 1, 1) + timedelta(days=n), time(12), zone).instant() for n in range(365)]
    return [b.date() for a, b in pairwise(noon) if a.utcoffset() != b.utcoffset()]


@pytest.mark.parametrize(
    ("zone", "changes"),
    [
        ("America/Chicago", 2),
        ("Europe/Berlin", 2),
        ("Australia/Lord_Howe", 2),
        ("America/Phoenix", 0),
        ("Asia/Kolkata", 0),
    ],
)
def test_the_zones_change_as_often_as_they_should(zone, changes):
    assert len(_changing_days(zone, 2026)) == changes


@law(days, clocks, zones, st.integers(1, 100))
def test_a_stop_keeps_at_least_its_hours_and_an_allowance_too(day, clock, zone, hours):
    """Hours back from the earlier reading of a start, on from the later: never less than what was asked."""
    calendar = WorkingCalendar(zone)
    known = {"surgery": Moment(day, clock, zone)}
    event = Event("anchor", "surgery")
    stop = resolve(Offset(hours, Unit.HOUR, "before", event), known, calendar).instant().astimezone(UTC)
    allowed = resolve(Offset(hours, Unit.HOUR, "after", event), known, calendar).instant().astimezone(UTC)
    for fold in (0, 1):
        start = Moment(day, clock, zone, fold).instant().astimezone(UTC)
        assert start - stop >= timedelta(hours=hours)
        assert allowed - start >= timedelta(hours=hours)


# --- working days


@law(days, st.integers(1, 15))
def test_working_days_count_open_days(day, n):
    before, after = working_days_before(day, n, CALENDAR), working_days_after(day, n, CALENDAR)
    assert CALENDAR.is_open(before)
    assert CALENDAR.is_open(after)
    between = [before + timedelta(days=k) for k in range((day - before).days)]
    assert sum(map(CALENDAR.is_open, between)) == n
    between = [day + timedelta(days=k + 1) for k in range((after - day).days)]
    assert sum(map(CALENDAR.is_open, between)) == n


@law(days, st.integers(0, 10), st.integers(0, 10))
def test_rolling_inside_a_window(day, before, after):
    window = Window(Moment(day - timedelta(days=before)), Moment(day + timedelta(days=after)))
    inside = [window.start.day + timedelta(days=k) for k in range(before + after + 1)]
    opened = [d for d in inside if CALENDAR.is_open(d)]
    if not opened:
        with pytest.raises(TimingError):
            roll(day, "in window", window, CALENDAR)
        return
    later = [d for d in opened if d >= day]
    assert roll(day, "in window", window, CALENDAR) == (later[0] if later else opened[-1])


@law(days)
def test_rolling_policies_agree(day):
    earlier, later = roll(day, "earlier", None, CALENDAR), roll(day, "next", None, CALENDAR)
    nearest = roll(day, "nearest", None, CALENDAR)
    assert earlier <= day <= later
    assert nearest in (earlier, later)
    assert abs(nearest - day) == min(day - earlier, later - day)
    assert roll(day, "none", None, CALENDAR) == day


# --- containment

SURGERY = st.just(Event("anchor", "surgery"))
near_units = st.sampled_from([Unit.DAY, Unit.WEEK, Unit.MONTH, Unit.YEAR])
targets = st.builds(Offset, st.integers(1, 14), near_units, sides, SURGERY)
more = st.integers(1, 90)
windows = st.one_of(
    st.builds(lambda a, b, *r: Between(a, a + b, *r), st.integers(1, 100), more, near_units, sides, SURGERY),
    st.builds(Within, st.integers(1, 60), near_units, sides, SURGERY),
    st.builds(Around, st.integers(1, 60), near_units, SURGERY | st.just(Event("target", "target"))),
)
long_days = st.dates(date(1990, 1, 1), date(2110, 12, 31))


@law(targets, windows, st.lists(long_days, min_size=5, max_size=30))
def test_the_proof_against_single_days(target, window, anchors):
    proof = contains(target, window)

    def inside(day):
        known = {"surgery": Moment(day)}
        known["target"] = resolve(target, known, EVERY_DAY)
        return resolve(window, known, EVERY_DAY).holds(known["target"].day)

    if proof.verdict == "always":
        assert all(map(inside, anchors))
        return
    assert proof.example is not None
    assert not inside(proof.example)
    assert proof.example.isoformat() in proof.details
    if proof.verdict == "never":
        assert not any(map(inside, anchors))


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [("1 month", 28, 31), ("3 months", 89, 92), ("12 months", 365, 366), ("4 years", 1460, 1461)],
)
def test_the_reduced_cycle_finds_the_extremes_of_all_400_years(text, low, high):
    months = {"month": 1, "months": 1, "years": 12}[text.split()[1]] * int(text.split()[0])
    start = date(2000, 1, 1)
    anchors = (start + timedelta(days=k) for k in range(146_097))
    distances = {(add_months(day, months) - day).days for day in anchors}
    assert (min(distances), max(distances)) == (low, high)
    target = parse(f"{text} after surgery")
    assert contains(target, parse(f"{low} to {high} days after surgery")).verdict == "always"
    assert contains(target, parse(f"{low + 1} to {high + 9} days after surgery")).verdict == "sometimes"
    assert contains(target, parse(f"{low - 9} to {high - 1} days after surgery")).verdict == "sometimes"
