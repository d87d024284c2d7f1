"""Published and computed check values: the cases are data in cases/*.yaml, each with its source."""

from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest

from waykeeper.timing import (
    Awaited,
    Moment,
    Window,
    calendar_for,
    contains,
    lateness,
    parse,
    read_wall,
    resolve,
    roll,
    spelling,
    working_days_before,
)
from yaml_text import plain

CHICAGO = "America/Chicago"
CALENDAR = calendar_for(
    "US", range(2025, 2031), parts={"morning": time(8), "afternoon": time(13), "evening": time(20)}, zone=CHICAGO
)


def load(name):
    text = (Path(__file__).parent / "cases" / f"{name}.yaml").read_text("utf-8")
    return plain(text)  # every scalar as written


def cases(name, part=None):
    found = load(name)[part] if part else load(name)
    return [pytest.param(c, id=c.get("id") or f"{i}") for i, c in enumerate(found)]


def moment(text, zone=CHICAGO):
    if "T" not in text:
        return Moment(date.fromisoformat(text))
    read = datetime.fromisoformat(text)
    return Moment(read.date(), read.time(), zone)


def day(text):
    """`Fri 2026-03-13`: the weekday is checked as well."""
    weekday, _, iso = text.rpartition(" ")
    found = date.fromisoformat(iso)
    assert weekday in ("", f"{found:%a}")
    return found


def on(phrase, **known):
    return resolve(parse(phrase), {k: moment(v) for k, v in known.items()}, CALENDAR)


def days_before(n):
    return "day of surgery" if n == 0 else f"{n} day{'s' * (n > 1)} before surgery"


@pytest.mark.parametrize("case", cases("holds"))
def test_hold(case):
    missed = int(case["missed"])
    assert on(days_before(missed), surgery=case["surgery"]).day == day(case["first_missed"])
    assert on(days_before(missed + 1), surgery=case["surgery"]).day == day(case["last"])
    timed = on(days_before(missed + 1), surgery=f"{case['surgery']}T07:30")
    assert timed == Moment(day(case["last"]))


@pytest.mark.parametrize("case", cases("wall"))
def test_wall(case):
    wall = moment(case["wall"], case["zone"])
    reading = read_wall(wall.day, wall.clock, wall.zone, case["use"])
    assert str(reading.moment) == case["moment"]
    assert reading.moment.instant().astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ") == case["utc"]
    assert reading.exists == case["exists"]
    assert (reading.finding is not None) == (case["exists"] == "never")


@pytest.mark.parametrize("case", cases("fasting"))
def test_fasting(case):
    limit = on(case["phrase"], surgery=case["start"])
    assert str(limit) == case["at"]
    printed = read_wall(limit.day, limit.clock, limit.zone, "latest_allowed").moment
    assert str(printed) == case.get("printed", case["at"])


@pytest.mark.parametrize("case", cases("elapsed"))
def test_elapsed(case):
    wall = moment(case["dose"])
    dose = read_wall(wall.day, wall.clock, CHICAGO, "recorded").moment.instant()
    limit = on(case["limit"], surgery=case["start"]).instant()
    start = moment(case["start"]).instant()
    assert (start.astimezone(UTC) - dose.astimezone(UTC)).total_seconds() / 3600 == float(case["hours"])
    assert (dose.astimezone(UTC) <= limit.astimezone(UTC)) == (case["kept"] == "true")


@pytest.mark.parametrize("case", cases("months"))
def test_months(case):
    assert on(case["phrase"], surgery=case["surgery"]) == Moment(day(case["day"]))


@pytest.mark.parametrize("row", load("visits")["targets"], ids=lambda r: r["surgery"])
def test_visit_targets(row):
    found = [on(p, surgery=f"{row['surgery']}T07:30") for p in load("visits")["phrases"]]
    assert found == [Moment(day(d)) for d in row["at"]]


@pytest.mark.parametrize("case", cases("visits", "windows"))
def test_visit_windows(case):
    target = on(case["target"], surgery=case["surgery"])
    window = on(case["window"], surgery=case["surgery"], target=str(target))
    assert window == Window(*(moment(d) for d in case["days"]))
    assert window.holds(target.day)
    assert contains(parse(case["target"]), parse(case["window"])).verdict == "always"


@pytest.mark.parametrize("case", cases("days"))
def test_days(case):
    given = {k: v for k, v in case.items() if k not in ("id", "phrase", "gives", "awaits", "source", "surgery_utc")}
    known = {"surgery": moment("2026-03-18T07:30")} | {k: moment(v) for k, v in given.items()}
    if "surgery_utc" in case:
        known["surgery"] = moment(case["surgery_utc"], "UTC")
    assert spelling(case["phrase"]) is None
    found = resolve(parse(case["phrase"]), known, CALENDAR)
    if "awaits" in case:
        assert found == Awaited(case["awaits"])
    else:
        assert str(found) == case["gives"]


@pytest.mark.parametrize("case", cases("rolling"))
def test_rolling(case):
    window = Window(*(moment(d) for d in case["window"])) if "window" in case else None
    assert roll(day(case["day"]), case["policy"], window, CALENDAR) == day(case["gives"])


@pytest.mark.parametrize("case", cases("working_days"))
def test_working_days(case):
    found = working_days_before(day(case["day"]), int(case["n"]), CALENDAR)
    assert found == day(case["gives"])
    two_weeks = on("14 days before surgery", surgery="2026-03-18T07:30").day
    assert min(two_weeks, found) == day(case["gap"])


def test_holidays():
    for closed in load("holidays")["closed"]:
        assert not CALENDAR.is_open(day(closed)), closed
    for opened in load("holidays")["open"]:
        assert CALENDAR.is_open(day(opened)), opened


@pytest.mark.parametrize("case", cases("holidays_elsewhere"))
def test_holidays_of_other_countries_and_their_parts(case):
    calendar = calendar_for(case["country"], range(2026, 2031))
    assert [one for one in case["closed"] if calendar.is_open(day(one))] == []
    assert [one for one in case["open"] if not calendar.is_open(day(one))] == []


@pytest.mark.parametrize("case", cases("lateness"))
def test_lateness(case):
    target = day(case["target"]) if "target" in case else None
    assert lateness(target, day(case["close"]), int(case["grace"])) == day(case["late_from"])


@pytest.mark.parametrize("case", load("containment"), ids=lambda c: " | ".join([*c.values()][:3]))
def test_containment(case):
    proof = contains(parse(case["target"]), parse(case["window"]), policy=case.get("policy", ""), calendar=CALENDAR)
    assert proof.verdict == case["verdict"], proof
    assert (proof.finding() is None) == (proof.verdict == "always")
