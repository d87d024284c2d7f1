"""The room's border: public names, the README's table, and values that hold their promises."""

import doctest
from datetime import UTC, date, datetime, time
from importlib.metadata import version
from pathlib import Path

import pytest

import waykeeper.timing
from waykeeper.timing import (
    Moment,
    PhraseError,
    TimingError,
    Window,
    calendar_for,
    contains,
    events,
    from_instant,
    holiday_version,
    is_zone,
    lateness,
    parse,
    precision,
    resolve,
    units,
    working_days_before,
)
from waykeeper.timing.table import grammar_markdown

README = Path(waykeeper.timing.__file__).with_name("README.md")
BEGIN, END = "<!-- grammar: begin -->\n", "<!-- grammar: end -->\n"


def test_the_readme_shows_the_grammar_as_it_is():
    """If this fails: put `grammar_markdown()` between the two marks of the README."""
    shown = README.read_text("utf-8").split(BEGIN)[1].split(END)[0]
    assert shown == grammar_markdown()


def test_the_readme_speaks_the_truth():
    names = {name: getattr(waykeeper.timing, name) for name in waykeeper.timing.__all__} | {"date": date, "time": time}
    code = README.read_text("utf-8").split("```python\n")[1].split("```")[0]
    test = doctest.DocTestParser().get_doctest(code, names, "README", None, None)
    assert doctest.DocTestRunner().run(test) == (0, 6)


def test_public_names():
    assert set(waykeeper.timing.__all__) == {
        "Anchor", "Awaited", "Containment", "Dates", "Event", "Moment", "Occurrences", "Phrase", "PhraseError",
        "Reading", "Standing", "TimingError", "Unit", "Window", "WorkingCalendar", "add_days", "add_elapsed",
        "add_months", "calendar_for", "contains", "earlier_reading", "events", "from_instant", "grammar_table",
        "holiday_version", "is_point", "is_span", "is_zone", "later_reading", "lateness",
        "longest_closure", "missed_in_each_part", "on_its_side", "parse",
        "precision", "read_wall", "resolve", "roll", "spelling", "units",
        "working_days_after", "working_days_before",
    }  # fmt: skip
    for name in waykeeper.timing.__all__:
        assert getattr(waykeeper.timing, name).__doc__ or name == "Phrase", name


def test_events_of_a_phrase():
    start = "later of 1 day after release of film-check and visit two-week"
    phrase = parse(f"every day from {start} to 5 days after completion of class")
    assert {str(e) for e in events(phrase)} == {"release of film-check", "visit two-week", "completion of class"}
    assert {str(e) for e in events(parse("7 days either side of target"))} == {"target"}
    assert {u.value for u in units(parse("from 2 hours before surgery to 3 days after surgery"))} == {"hour", "day"}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2 weeks after surgery", "day"),
        ("2 weeks after surgery in the morning", "minute"),
        ("2 hours before surgery", "minute"),
        ("surgery", "event"),
        ("visit two-week", "day"),
        ("later of surgery and 2 days after discharge", "event"),
        ("from surgery to 2 hours after closure", "minute"),
        ("every day within 5 days before surgery", "day"),
        ("every day 08:00 within 5 days before surgery", "minute"),
        ("until day of surgery", "day"),
        ("24 to 48 hours after surgery", "minute"),
        ("every 4 hours within 5 days after surgery", "minute"),
    ],
)
def test_precision(text, expected):
    assert precision(parse(text)) == expected


@pytest.mark.parametrize(
    ("text", "offset", "found"),
    [
        ("2 weeks aftr surgery", 8, "Did you mean 'after'?"),
        ("2 wekks after surgery", 2, "Did you mean 'weeks'?"),
        ("from 18 days after surgery to 10 days after surgery", 0, "Write '10 to 18 days after surgery'."),
        ("3 to 3 days after surgery", 0, "Write '3 days after surgery'."),
        ("2 weeks after", 13, "the phrase ends where an event is expected"),
        ("day of surgery 25:00", 15, "25:00 is no time of day"),
    ],
)
def test_messages(text, offset, found):
    with pytest.raises(PhraseError) as caught:
        parse(text)
    assert caught.value.offset == offset
    assert found in caught.value.findings[0].sentence()


def test_zones():
    assert is_zone("America/Chicago")
    for name in ("", "Chicago", "../etc/passwd", "America", "Mars/Base"):
        assert not is_zone(name), name


def test_an_instant_in_the_clinics_zone():
    found = from_instant(datetime(2026, 3, 18, 0, 30, tzinfo=UTC), "America/Chicago")
    assert found == Moment(date(2026, 3, 17), time(19, 30), "America/Chicago")


def test_moments_sort_with_whole_days_first():
    day = date(2026, 11, 1)
    ordered = [
        Moment(date(2026, 10, 31), time(23)),
        Moment(day),
        Moment(day, time(1, 30), "America/Chicago", 0),
        Moment(day, time(1, 30), "America/Chicago", 1),
        Moment(day, time(2), "America/Chicago"),
    ]
    shuffled = [ordered[i] for i in (3, 0, 4, 2, 1)]
    assert sorted(shuffled) == ordered


def test_the_calendar_says_where_its_holidays_come_from():
    calendar = calendar_for("US", [2026], closures={date(2026, 12, 24): "staff day"}, zone="America/Chicago")
    assert holiday_version() == version("holidays")
    assert calendar.source == f"holidays {version('holidays')} US"
    assert calendar.years == (2025, 2026, 2027)
    assert calendar.closed[date(2026, 12, 24)] == "staff day"
    assert "Juneteenth" in calendar.closed[date(2026, 6, 19)]
    assert calendar_for("", []).source == ""


def test_the_new_year_observed_in_the_year_before():
    """1 January 2028 is a Saturday, so Friday 2027-12-31 is closed (5 U.S.C. 6103), whichever year is asked for."""
    assert not calendar_for("US", [2027]).is_open(date(2027, 12, 31))
    assert not calendar_for("US", [2026]).is_open(date(2027, 12, 31))


@pytest.mark.parametrize("country", ["ZZ", "US-ZZ", "nowhere", ""])
def test_countries(country):
    if country:
        with pytest.raises(TimingError, match="no public holidays are known"):
            calendar_for(country, [2026])
    else:
        assert calendar_for(country, [2026]).closed == {}


def test_beyond_the_calendar_no_working_day_is_guessed():
    calendar = calendar_for("US", [2026])
    with pytest.raises(TimingError, match="outside the working calendar"):
        working_days_before(date(2030, 1, 10), 3, calendar)


def test_a_clinic_that_never_opens():
    calendar = calendar_for("", [], weekdays=())
    with pytest.raises(TimingError, match="no open day"):
        working_days_before(date(2026, 3, 18), 1, calendar)


def test_a_window_without_start_says_so():
    found = resolve(parse("until surgery"), {"surgery": Moment(date(2026, 3, 18))}, calendar_for("", []))
    assert isinstance(found, Window)
    assert found.open_start
    assert str(found) == "..2026-03-18"
    since = Moment(date(2026, 3, 1))
    found = resolve(parse("until surgery"), {"surgery": Moment(date(2026, 3, 18))}, calendar_for("", []), since=since)
    assert not found.open_start
    assert found.start == since


def test_a_proof_asks_for_a_point_and_a_span():
    for target, window in (("within 2 days after surgery", "within 3 days after surgery"), ("surgery", "surgery")):
        with pytest.raises(ValueError, match="a target is a point"):
            contains(parse(target), parse(window))


def test_working_days_are_unproved_without_a_calendar():
    proof = contains(parse("3 working days before surgery"), parse("within 10 days before surgery"))
    assert proof.verdict == "sometimes"
    assert "calendar" in proof.details


def test_lateness_is_never_before_the_day_after_the_target():
    for close in range(1, 28):
        late = lateness(date(2026, 4, 1), date(2026, 4, close), 7)
        assert late > date(2026, 4, 1)


@pytest.mark.parametrize(
    "text", ["9999 years after surgery", "9999 weeks before surgery", "9999 months before surgery"]
)
def test_beyond_the_calendar_of_python(text):
    with pytest.raises(TimingError, match="outside the years 1 to 9999") as caught:
        resolve(parse(text), {"surgery": Moment(date(30, 3, 18))}, calendar_for("", []))
    assert caught.value.code == "WKT204"


def test_hours_beyond_the_calendar_of_python():
    known = {"surgery": Moment(date(9999, 12, 31), time(12), "UTC")}
    with pytest.raises(TimingError, match="outside the years 1 to 9999"):
        resolve(parse("9999 hours after surgery"), known, calendar_for("", []))


def test_a_proof_that_the_calendar_is_too_short_for():
    calendar = calendar_for("US", [2026])
    proof = contains(
        parse("9 years after surgery"), parse("7 days either side of target"), policy="earlier", calendar=calendar
    )
    assert proof.verdict == "always"  # the target alone; its rolled day is proved from the target's own day
    proof = contains(
        parse("9 years after surgery"), parse("3287 to 3288 days after surgery"), policy="earlier", calendar=calendar
    )
    assert proof.verdict == "sometimes"


def test_an_unknown_policy_is_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="sideways"):
        waykeeper.timing.roll(date(2026, 6, 20), "sideways", None, calendar_for("US", [2026]))


def test_elapsed_units_are_no_calendar_units():
    from waykeeper.timing.arithmetic import add_calendar

    with pytest.raises(ValueError, match="elapsed time"):
        add_calendar(date(2026, 3, 18), 1, waykeeper.timing.Unit.HOUR, calendar_for("", []))


def test_a_day_or_a_time_without_zone_is_no_instant():
    for moment in (Moment(date(2026, 3, 18)), Moment(date(2026, 3, 18), time(7, 30))):
        with pytest.raises(ValueError, match="no instant"):
            moment.instant()
    assert str(Moment(date(2026, 3, 18), time(7, 30))) == "2026-03-18T07:30:00"


def test_an_anchor_without_zone_is_in_the_clinics():
    known = {"surgery": Moment(date(2026, 3, 18), time(7, 30))}
    found = resolve(parse("2 hours before surgery"), known, calendar_for("", [], zone="America/Chicago"))
    assert str(found) == "2026-03-18T05:30:00-05:00"


def test_a_computed_target_keeps_its_offset():
    """Six hours before 07:30 CST is the second 01:30; an hour before that is the first (derived, IANA data)."""
    calendar = calendar_for("", [], zone="America/Chicago")
    known = {"surgery": Moment(date(2026, 11, 1), time(7, 30), "America/Chicago")}
    known["target"] = resolve(parse("6 hours before surgery"), known, calendar)
    assert str(known["target"]) == "2026-11-01T01:30:00-06:00"
    assert str(resolve(parse("1 hour before target"), known, calendar)) == "2026-11-01T01:30:00-05:00"
