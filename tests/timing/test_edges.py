"""Both sides of every limit of the room, and the pieces that a proof of containment is made of. Values computed."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from math import inf

import pytest

from waykeeper.timing import (
    Moment,
    Occurrences,
    PhraseError,
    TimingError,
    Unit,
    WorkingCalendar,
    calendar_for,
    canonical,
    containment,
    contains,
    earlier_reading,
    from_instant,
    grammar,
    later_reading,
    parse,
    resolve,
    roll,
    units,
)
from waykeeper.timing.resolve import _earlier, _later
from waykeeper.timing.table import _row
from waykeeper.timing.working import Policy

CHICAGO = "America/Chicago"
CALENDAR = calendar_for("US", range(2025, 2031), zone=CHICAGO)
WEEKDAYS = WorkingCalendar("UTC", years=(2026,))
DAY = date(2026, 3, 18)
AT = DAY.toordinal()


def refused(text: str) -> str:
    with pytest.raises(PhraseError) as error:
        parse(text)
    return error.value.code


# phrases: limits of what is read


@pytest.mark.parametrize(
    "text",
    [
        "2 hours after visit two-week",
        "24 to 48 hours after visit two-week",
        "within 30 minutes after visit two-week",
        "24 hours either side of visit two-week",
    ],
)
def test_of_a_visit_only_the_day_is_known_so_no_hours_count_from_it(text: str) -> None:
    assert refused(text) == "WKT108"


def test_number_words_count_in_a_range_too() -> None:
    assert str(parse("two to three weeks after surgery")) == "2 to 3 weeks after surgery"


def test_a_word_of_the_grammar_is_no_event() -> None:
    words = (
        "from to until within either side of every and before after later earlier in as needed while awake morning "
        "afternoon evening minute minutes hour hours day days week weeks month months year years working"
    )
    assert {refused(f"2 days after {word}") for word in words.split()} == {"WKT111"}


def test_a_time_that_does_not_exist_is_moved_also_where_nobody_asks_for_findings() -> None:
    """15 U.S.C. 260a: on 2026-03-08 the clocks go from 02:00 to 03:00; the instant is that of RFC 5545, 3.3.5."""
    calendar = WorkingCalendar(CHICAGO, years=(2026,))
    found = resolve(parse("day of surgery 02:30"), {"surgery": Moment(date(2026, 3, 8))}, calendar)
    assert found == Moment(date(2026, 3, 8), time(3, 30), CHICAGO)


def test_a_phrase_may_have_300_characters_and_no_more() -> None:
    assert parse("surgery".ljust(300)) == parse("surgery")
    assert refused("surgery".ljust(301)) == "WKT112"


def test_numbers_go_up_to_9999_and_a_long_one_is_shown_by_its_beginning() -> None:
    assert str(parse("9999 days after surgery")) == "9999 days after surgery"
    assert refused("10000 days after surgery") == "WKT105"
    with pytest.raises(PhraseError) as error:
        parse("1234567890123456 days after surgery")
    assert "the number 123456789012 is above 9999" in str(error.value)


def test_picks_go_four_deep_also_after_another_pick() -> None:
    four = "later of a1 and later of b1 and later of c1 and later of d1 and e1"
    assert str(parse(four)) == four
    assert refused("later of z1 and " + four) == "WKT112"
    assert refused("later of earlier of y1 and z1 and " + four) == "WKT112"
    two = "later of earlier of a1 and b1 and earlier of c1 and d1"
    assert str(parse(two)) == two


@pytest.mark.parametrize(
    "text", ["3 working weeks after surgery", "3 calendar days after surgery", "3 working after surgery"]
)
def test_only_days_can_be_working_days(text: str) -> None:
    assert refused(text).startswith("WKT10")


def test_a_clock_ends_at_2359() -> None:
    assert str(parse("1 day after surgery 23:59")) == "1 day after surgery 23:59"
    assert str(parse("1 day after surgery 00:00")) == "1 day after surgery 00:00"
    assert refused("1 day after surgery 24:00") == refused("1 day after surgery 08:60") == "WKT106"


@pytest.mark.parametrize("word", ["day", "weeks", "morning", "working", "target-", "from"])
def test_words_of_the_grammar_are_no_names(word: str) -> None:
    with pytest.raises(PhraseError):
        parse(f"2 days after {word}")
    assert str(parse("2 days after closure")) == "2 days after closure"


def test_misspellings_are_looked_for_longest_first() -> None:
    lengths = [len(wrong) for wrong, _ in grammar._remedies()]
    assert lengths == sorted(lengths, reverse=True) and len(set(lengths)) > 1


def test_the_units_of_a_series_are_those_of_its_step_and_of_its_span() -> None:
    assert units(parse("every day from 1 week after surgery to 2 weeks after surgery")) == {Unit.DAY, Unit.WEEK}


# spans that run backwards


@pytest.mark.parametrize(
    ("text", "extent"),
    [
        ("1440 minutes after surgery", (1, 1)),
        ("24 hours before surgery", (-1, -1)),
        ("surgery", (0, 0)),
        ("day of surgery", (-1, 1)),
        ("1 day after surgery", (0, 2)),
        ("1 week before surgery", (-8, -6)),
        ("1 month after surgery", (27, 32)),
        ("1 year after surgery", (364, 367)),
        ("2 working days after surgery", (1, inf)),
        ("later of surgery and 1 day after surgery", None),
    ],
)
def test_how_far_a_point_may_lie_from_its_event(text: str, extent: tuple[float, float] | None) -> None:
    assert canonical._extent(parse(text)) == extent


@pytest.mark.parametrize(
    "text",
    [
        "from 2 days after surgery to 24 hours after surgery",
        "from 1 day after surgery 20:00 to 2 days after surgery 08:00",
        "from 1 day after surgery 08:00 to 1 day after surgery 20:00",
        "from 1 day after surgery to 1 day after surgery 08:00",
        "from 5 days after surgery to 1 day after discharge",
        "from later of surgery and discharge to 1 day after surgery",
    ],
)
def test_a_span_that_may_run_forward_is_read(text: str) -> None:
    parse(text)


@pytest.mark.parametrize(
    "text",
    [
        "from 3 days after surgery to 24 hours after surgery",
        "from 3 days after surgery to 2 days after surgery",
        "from 1 day after surgery 20:00 to 1 day after surgery 08:00",
        "from 2 months after surgery to 20 days after surgery",
        "from 3 days after surgery 08:00 to 2 days after surgery 20:00",
    ],
)
def test_a_span_that_cannot_run_forward_is_refused(text: str) -> None:
    assert refused(text) == "WKT109"


# moments and calendars


def test_a_moment_is_not_before_itself() -> None:
    moment = Moment(DAY, time(7, 30), CHICAGO)
    assert not moment < moment and moment <= moment and moment.fold == 0
    assert from_instant(datetime(2026, 11, 1, 7, 30, tzinfo=UTC), CHICAGO).clock.fold == 0


def test_a_calendar_that_says_nothing_is_open_from_monday_to_friday() -> None:
    monday = date(2026, 3, 16)
    assert [WorkingCalendar("UTC").is_open(monday + timedelta(n)) for n in range(7)] == [True] * 5 + [False] * 2
    bare = calendar_for("", [2026])
    assert [bare.is_open(monday + timedelta(n)) for n in range(7)] == [True] * 5 + [False] * 2


def test_outside_the_calendar_the_years_are_named() -> None:
    with pytest.raises(TimingError) as error:
        roll(date(2032, 3, 20), "next", None, CALENDAR)
    assert "lies outside the working calendar (2024 to 2031)" in str(error.value)


def test_an_open_day_is_looked_for_during_366_days() -> None:
    with pytest.raises(TimingError) as error:
        roll(DAY, "next", None, WorkingCalendar("UTC", frozenset()))
    assert "no open day within 366 days of 2026-03-18" in str(error.value)
    almost = WorkingCalendar("UTC", closed={DAY + timedelta(n): "closed" for n in range(366)})
    assert roll(DAY, "next", None, almost) == DAY + timedelta(366)


def test_a_time_without_zone_and_a_day_have_one_reading() -> None:
    for moment in (Moment(DAY, time(8)), Moment(DAY, None, CHICAGO)):
        assert earlier_reading(moment) is moment and later_reading(moment) is moment


def test_one_hour_on_from_a_repeated_hour_counts_from_the_later_reading() -> None:
    surgery = Moment(date(2026, 11, 1), time(1, 30), CHICAGO)
    found = resolve(parse("1 hour after surgery"), {"surgery": surgery}, CALENDAR)
    assert str(found) == "2026-11-01T02:30:00-06:00"


def test_hours_after_a_day_round_up_to_whole_days() -> None:
    known = {"surgery": Moment(DAY)}
    days = [resolve(parse(f"{n} hours after surgery"), known, CALENDAR) for n in (24, 25, 2400, 2401)]
    assert [(m.day - DAY).days for m in days] == [1, 2, 100, 101]


def test_on_one_day_the_whole_day_stands_for_its_times() -> None:
    whole, timed = Moment(DAY), Moment(DAY, time(5), CHICAGO)
    for choose in (_later, _earlier):
        assert choose(whole, timed) is whole and choose(timed, whole) is whole
    early, late = timed, Moment(DAY, time(6), CHICAGO)
    assert (_later(early, late), _earlier(early, late)) == (late, early)
    assert (_later(late, early), _earlier(late, early)) == (late, early)


@pytest.mark.parametrize(
    ("phrase", "surgery", "days"),
    [
        (
            "every 1 year from 1 year after surgery to 4 years after surgery",
            "2028-02-29",
            "2029-02-28 2030-02-28 2031-02-28 2032-02-29",
        ),
        (
            "every 1 month 2 months either side of surgery",
            "2026-08-31",
            "2026-06-30 2026-07-31 2026-08-31 2026-09-30 2026-10-31",
        ),
        ("every 1 month within 2 months before surgery", "2026-08-31", "2026-06-30 2026-07-31 2026-08-31"),
        ("every 1 month 1 to 3 months before surgery", "2026-08-31", "2026-05-31 2026-06-30 2026-07-31"),
        ("every 1 month within 2 months after surgery", "2026-08-31", "2026-08-31 2026-09-30 2026-10-31"),
        (
            "every 1 month from 1 month after surgery to 3 months after surgery",
            "2026-08-31",
            "2026-09-30 2026-10-31 2026-11-30",
        ),
        (
            "every 1 year 2 years either side of surgery",
            "2028-02-29",
            "2026-02-28 2027-02-28 2028-02-29 2029-02-28 2030-02-28",
        ),
    ],
)
def test_a_series_of_months_counts_from_its_event_and_never_from_a_clipped_day(
    phrase: str, surgery: str, days: str
) -> None:
    found = resolve(parse(phrase), {"surgery": Moment(date.fromisoformat(surgery))}, CALENDAR)
    assert " ".join(d.isoformat() for d in found.days()) == days


def test_the_table_of_the_grammar_refuses_what_is_no_mapping() -> None:
    for production in ({"accepts": [], "refuses": {}, "form": "x"}, {"accepts": {}, "refuses": [], "form": "x"}):
        with pytest.raises(TypeError):
            _row("x", production)


# the pieces of the proof


def prover(target: str, window: str, policy: str = "", calendar: WorkingCalendar | None = None) -> containment._Prover:
    return containment._Prover(parse(target), parse(window), policy, calendar)


@pytest.mark.parametrize(
    ("text", "reach"),
    [
        ("24 hours after surgery", (0, 2)),
        ("25 hours after surgery", (1, 2)),
        ("24 hours before surgery", (-2, 0)),
        ("1 minute after surgery", (-1, 1)),
        ("90 minutes before surgery", (-1, 0)),
        ("61 minutes after surgery", (0, 1)),
        ("1380 minutes after surgery", (0, 1)),
        ("1381 minutes after surgery", (0, 2)),
        ("3 days after surgery", (3, 3)),
        ("2 weeks before surgery", (-14, -14)),
        ("1 month after surgery", (31, 31)),
        ("1 year before surgery", (-365, -365)),
        ("surgery", (0, 0)),
        ("2 working days after surgery", (2, 2)),
        ("later of 24 hours after surgery and 1 day after surgery", (1, 2)),
        ("later of 1 day after surgery and 24 hours after surgery", (1, 2)),
        ("earlier of 24 hours after surgery and 1 day after surgery", (0, 1)),
        ("earlier of 1 day after surgery and 24 hours after surgery", (0, 1)),
    ],
)
def test_hours_may_lie_on_two_days_or_three(text: str, reach: tuple[int, int]) -> None:
    """A clock may change by an hour and the event may have any time, so 24 hours later may be the same day."""
    found = prover(text, "within 1 day after surgery", "", CALENDAR).reach(parse(text), DAY)
    assert (found[0] - AT, found[1] - AT) == reach


@pytest.mark.parametrize(
    ("window", "start", "end"),
    [
        ("until 1 day before surgery 12:00", (-inf, -inf), (-2, -1)),
        ("until 1 day before surgery", (-inf, -inf), (-1, -1)),
        ("from 2 days before surgery in the evening to 1 day after surgery 08:00", (-2, -1), (0, 1)),
        ("10 to 18 days after surgery", (10, 10), (18, 18)),
        ("10 to 18 days before surgery", (-18, -18), (-10, -10)),
        ("within 3 days after surgery", (0, 0), (3, 3)),
        ("within 3 days before surgery", (-3, -3), (0, 0)),
        ("7 days either side of surgery", (-7, -7), (7, 7)),
    ],
)
def test_the_ends_of_a_window(window: str, start: tuple[float, float], end: tuple[float, float]) -> None:
    found = prover("1 day after surgery", window).bounds(DAY)
    assert tuple(tuple(n - AT for n in reach) for reach in found) == (start, end)


def test_a_month_from_a_target_that_may_lie_on_three_days_reaches_as_far() -> None:
    _, end = prover("24 hours after surgery", "within 1 month after target").bounds(DAY)
    assert end == (date(2026, 4, 18).toordinal(), date(2026, 4, 20).toordinal())


@pytest.mark.parametrize(
    ("target", "window", "verdict"),
    [
        ("1 day after surgery", "24 to 96 hours after surgery", "sometimes"),
        ("24 hours after surgery", "within 1 day after surgery", "sometimes"),
        ("surgery", "within 4 hours after surgery", "always"),
        ("surgery", "within 4 hours before surgery", "always"),
        ("1 minute after surgery", "within 4 hours before surgery", "never"),
        ("1 minute before surgery", "within 4 hours after surgery", "never"),
        ("1 hour after surgery", "1 to 2 hours after surgery", "always"),
        ("2 hours after surgery", "1 to 2 hours after surgery", "always"),
        ("121 minutes after surgery", "1 to 2 hours after surgery", "never"),
        ("59 minutes after surgery", "1 to 2 hours after surgery", "never"),
        ("2 hours before surgery", "1 to 2 hours before surgery", "always"),
        (
            "later of 1 day after surgery and 1 day after discharge",
            "from 1 day after surgery to 2 weeks after discharge",
            "sometimes",
        ),
        ("1 hour after surgery", "from surgery to 2 hours after surgery", "always"),
        # surgery at 07:30: the end is the next day at 13:30, before that evening
        (
            "1 day after surgery in the evening",
            "from surgery to later of 30 hours after surgery and 1 day after surgery 08:00",
            "sometimes",
        ),
        ("day of surgery in the evening", "from day of surgery 08:00 to 2 days after surgery", "sometimes"),
        ("3 days after surgery", "from surgery to 2 days after surgery 08:00", "never"),
    ],
)
def test_containment_at_its_edges(target: str, window: str, verdict: str) -> None:
    assert contains(parse(target), parse(window)).verdict == verdict


def test_a_policy_that_rolls_nothing_leaves_the_proof_as_it_is() -> None:
    for policy in ("", "none"):
        found = contains(
            parse("2 weeks after surgery"), parse("14 to 15 days after surgery"), policy=policy, calendar=CALENDAR
        )
        assert found.verdict == "always"


def test_a_policy_changes_nothing_of_what_is_outside_before_it_rolls() -> None:
    target, window = parse("3 months after surgery"), parse("93 to 99 days after surgery")
    plain = contains(target, window, calendar=WEEKDAYS)
    assert plain.example == date(2025, 1, 1)
    assert contains(target, window, policy="next", calendar=WEEKDAYS) == plain


@pytest.mark.parametrize(
    ("target", "window", "policy"),
    [
        ("36 hours after surgery", "1 to 4 days after surgery", "previous"),  # the earlier day rolls out at the front
        ("2 days after surgery", "from surgery to 72 hours after surgery", "next"),  # the window may end on the 2nd day
    ],
)
def test_each_day_that_hours_may_lie_on_is_rolled(target: str, window: str, policy: Policy) -> None:
    """Closed on Sundays alone, so that a day is never closed together with its neighbour."""
    saturdays_too = WorkingCalendar("UTC", frozenset(range(6)), years=(2025, 2026, 2027))
    plain = contains(parse(target), parse(window), calendar=saturdays_too)
    rolled = contains(parse(target), parse(window), policy=policy, calendar=saturdays_too)
    assert (plain.verdict, rolled.verdict) == ("always", "sometimes")


def test_what_is_outside_is_said_with_its_days() -> None:
    found = contains(parse("3 months after surgery"), parse("93 to 99 days after surgery"))
    assert found.details == "with surgery on 2025-01-01 the target 2025-04-01 lies outside 2025-04-04..2025-04-10"
    assert found.example == date(2025, 1, 1)
    last = contains(parse("5 days before surgery"), parse("until 1 week before surgery"))
    assert last.details == "with surgery on 2026-03-18 the target 2026-03-13 lies outside ..2026-03-11"
    rolled = contains(
        parse("2 weeks after surgery"), parse("14 to 15 days after surgery"), policy="in window", calendar=CALENDAR
    )
    assert rolled.details.startswith(
        "with surgery on 2024-01-06 the target 2024-01-20, rolled to an open day, lies outside"
    )
    hours = contains(parse("1 day after surgery"), parse("24 to 96 hours after surgery"))
    assert hours.details.endswith("the target 2026-03-19 lies outside 2026-03-20..2026-03-21")
    unrolled = contains(parse("36 hours after surgery"), parse("within 1 day after surgery"))
    assert unrolled.details == "with surgery on 2026-03-18 the target 2026-03-19 lies outside 2026-03-18..2026-03-19"
    ranged = contains(parse("24 hours after surgery"), parse("1 to 2 days after surgery"))
    assert ranged.details.endswith("the target 2026-03-18 lies outside 2026-03-19..2026-03-20")


@pytest.mark.parametrize(
    ("window", "policy", "may"),
    [
        ("within 1 day after surgery", "in window", True),
        ("within 2 days after surgery", "in window", False),
        ("within 2 days after surgery", "modified next", False),
        ("within 9 days after surgery", "earlier", True),
        ("within 9 working days after surgery", "in window", True),
        ("24 to 96 hours after surgery", "in window", True),
        ("24 to 120 hours after surgery", "in window", False),
    ],
)
def test_rolling_stays_in_a_window_that_is_longer_than_every_closure(window: str, policy: str, may: bool) -> None:
    """Here two days, a weekend, are the longest closure."""
    assert prover("surgery", window, policy, WEEKDAYS).may_leave() is may


def test_without_a_calendar_rolling_may_leave() -> None:
    assert prover("surgery", "within 9 days after surgery", "in window").may_leave() is True


def test_the_longest_closure() -> None:
    assert containment._longest_closure(WEEKDAYS) == 2
    assert containment._longest_closure(WorkingCalendar("UTC", frozenset(), years=(2026,))) == 10_000
    days = [date(2026, 1, 1) + timedelta(n) for n in range(365)]
    two = WorkingCalendar(
        "UTC", frozenset(range(7)), {d: "" for d in days if d.day != 10 or d.month > 2}, years=(2026,)
    )
    assert containment._longest_closure(two) == 30


def test_the_days_that_a_calendar_covers() -> None:
    assert containment._covered(WorkingCalendar("UTC", years=(2027, 2028))) == range(2027, 2029)
    assert containment._covered(WorkingCalendar("UTC", closed={date(2027, 7, 4): ""})) == range(2027, 2028)
    assert containment._covered(WorkingCalendar("UTC")) == range(2026, 2036)
    days = list(containment._every_day(range(2026, 2027)))
    assert (days[0], days[-1], len(days)) == (date(2026, 1, 1), date(2026, 12, 31), 365)


def test_the_days_of_the_month_that_stand_for_all() -> None:
    common, leap = (list(containment._representatives((year,))) for year in (2027, 2028))
    assert (len(common), len(leap), common[0], common[-1]) == (41, 42, date(2027, 1, 1), date(2027, 12, 31))
    assert {d.day for d in common} == {1, 29, 30, 31}


@pytest.mark.parametrize(
    ("text", "extent"),
    [
        ("672 hours before surgery", (1, 0)),
        ("673 hours before surgery", (2, 0)),
        ("28 days after surgery", (0, 1)),
        ("29 days after surgery", (0, 2)),
        ("4 weeks after surgery", (0, 1)),
        ("5 weeks after surgery", (0, 2)),
        ("2 months before surgery", (2, 0)),
        ("2 years after surgery", (0, 24)),
        ("4 working days after surgery", (0, 1)),
        ("5 working days after surgery", (0, 2)),
        ("3 months either side of surgery", (3, 3)),
        ("1 to 3 months before surgery", (3, 0)),
        ("within 2 months after surgery", (0, 2)),
        ("from 2 months before surgery to 3 months after surgery", (2, 3)),
        ("until 2 months before surgery", (2, 0)),
        ("later of 1 month after surgery and 2 months after surgery", (0, 2)),
        ("surgery", (0, 0)),
        ("day of surgery", (0, 0)),
    ],
)
def test_months_that_a_phrase_reaches_at_most(text: str, extent: tuple[int, int]) -> None:
    assert containment._extent(parse(text)) == extent


def test_a_month_has_at_least_28_days_of_minutes() -> None:
    assert containment._months(28 * 1440, Unit.MINUTE) == 1
    assert containment._months(28 * 1440 + 1, Unit.MINUTE) == 2


@pytest.mark.parametrize(
    ("target", "window", "years"),
    [
        ("1 year after surgery", "within 1 year after surgery", [2025, 2026, 2027, 2028]),
        ("1 year after surgery", "within 25 months after surgery", [2025, 2026, 2027, 2028, *range(2095, 2102)]),
        ("3 years before surgery", "within 3 years before surgery", [2025, 2026, 2027, 2028, *range(2099, 2108)]),
        ("30 years after surgery", "within 30 years after surgery", [2025, 2026, 2027, 2028, *range(2039, 2102)]),
        ("30 years after surgery", "within 361 months after surgery", [*range(2000, 2400)]),
    ],
)
def test_the_years_that_hold_every_leap_pattern(target: str, window: str, years: list[int]) -> None:
    assert list(containment._years(parse(target), parse(window))) == years


@pytest.mark.parametrize(
    ("text", "clock"),
    [
        ("from 2 days before surgery in the evening to surgery", True),
        ("from 2 days before surgery to 1 day before surgery 12:00", True),
        ("from 2 days before surgery to surgery", False),
        ("later of surgery and 1 day after surgery 08:00", True),
        ("until 1 day before surgery 12:00", True),
        ("2 hours before surgery", False),
    ],
)
def test_a_clock_on_one_end_is_a_clock(text: str, clock: bool) -> None:
    assert containment._has_clock(parse(text)) is clock


def test_a_series_without_more_words_is_neither_as_needed_nor_while_awake() -> None:
    window = resolve(parse("within 2 days after surgery"), {"surgery": Moment(DAY)}, CALENDAR)
    bare = Occurrences(window, 1, Unit.DAY, CALENDAR, clocks=(time(8),))
    assert (bare.as_needed, bare.while_awake, bare.timed, bare.lead) == (False, False, True, 0)


@pytest.mark.parametrize(
    ("country", "first", "last"),
    [
        ("US", 2009, 2061),
        ("LK", 2009, 2026),  # the library's own last year for it
        ("IN", 2009, 2035),  # it warns that the days of the moon are known until then
        ("UA", 2009, 2061),  # a year without a holiday is no year without data: there are none under martial law
    ],
)
def test_a_year_that_the_library_has_no_data_for_is_not_covered(country: str, first: int, last: int) -> None:
    """The pinned holidays library says so: `start_year`, `end_year`, and a warning, which is not printed."""
    years = calendar_for(country, range(2010, 2061)).years
    assert years == tuple(range(first, last + 1))


def test_a_holiday_that_nobody_knows_is_no_open_day() -> None:
    calendar = calendar_for("LK", range(2010, 2061))
    with pytest.raises(TimingError) as error:
        roll(date(2027, 1, 4), "earlier", None, calendar)
    assert error.value.code == "WKT204"
    with pytest.raises(TimingError) as error:
        calendar_for("LK", range(2040, 2050))
    assert error.value.code == "WKT209"
