"""Occurrences of series: cases/series.yaml."""

from datetime import date, datetime, time
from pathlib import Path

import pytest

from waykeeper.timing import Awaited, Moment, Occurrences, calendar_for, parse, resolve, spelling
from yaml_text import plain

CHICAGO = "America/Chicago"
CALENDAR = calendar_for("US", [2026, 2033], parts={"morning": time(8), "evening": time(20)}, zone=CHICAGO)
TEXT = (Path(__file__).parent / "cases" / "series.yaml").read_text("utf-8")
CASES = plain(TEXT)


def moment(text):
    read = datetime.fromisoformat(text)
    return Moment(read.date(), read.time(), CHICAGO) if "T" in text else Moment(date.fromisoformat(text))


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["id"])
def test_series(case):
    known = {"surgery": moment("2026-03-18T07:30")}
    known |= {k: moment(case[k]) for k in ("surgery", "closure") if k in case}
    since = moment(case["since"]) if "since" in case else None
    assert spelling(case["phrase"]) == case.get("spelt")
    found = resolve(parse(case["phrase"]), known, CALENDAR, since=since)
    assert isinstance(found, Occurrences)
    if "gives" in case:
        assert [str(m) for m in found] == case["gives"]
        assert found.days() == tuple(dict.fromkeys(date.fromisoformat(t[:10]) for t in case["gives"]))
    else:
        assert len(list(found)) == int(case["count"])
    assert len(list(found.findings())) == int(case.get("findings", 0))


def test_a_series_is_lazy():
    phrase = parse("every 1 minute from surgery to 1000 years after surgery")
    found = resolve(phrase, {"surgery": moment("2026-03-18T07:30")}, CALENDAR)
    assert [str(m) for m in found.first(2)] == ["2026-03-18T07:30:00-05:00", "2026-03-18T07:31:00-05:00"]


def test_an_awaited_start():
    phrase = parse("every day within 5 days after discharge")
    assert resolve(phrase, {"discharge": None}, CALENDAR) == Awaited("discharge")


def test_flags():
    known = {"surgery": moment("2026-03-18T07:30")}
    found = resolve(parse("every 6 hours as needed within 24 hours after surgery"), known, CALENDAR)
    assert (found.as_needed, found.while_awake, found.timed) == (True, False, False)
    found = resolve(parse("every 1 hour while awake within 24 hours after surgery"), known, CALENDAR)
    assert (found.as_needed, found.while_awake, found.timed) == (False, True, False)
