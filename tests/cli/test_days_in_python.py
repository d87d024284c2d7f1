"""Days given to the functions of Python: a date, a datetime, and none at all where plans are of several time zones."""

from datetime import UTC, date, datetime

import pytest
import time_machine

import waykeeper
from waykeeper.findings import Finding, WaykeeperError
from waykeeper.pathway.shelf import folder
from waykeeper.verbs import inputs

LEFT, KNEE = (folder("sandbox_bundles") / name / "plan.bundle.json" for name in ("demo-left", "knee-left"))
NOON = datetime(2026, 3, 17, 12)  # noqa: DTZ001 - as somebody writes it in Python
NIGHT = datetime(2026, 3, 18, 4, tzinfo=UTC)  # 23:00 of the day before in Chicago (UTC-5 since 8 March 2026)


def test_a_datetime_is_its_day():
    """A datetime passes for a date, but is equal to none: by its week every row was hidden."""
    assert inputs.day_of(NOON, "--week") == date(2026, 3, 17)
    by_date, by_datetime = (waykeeper.gaps(str(LEFT), as_of=NOON, week=day).worklist for day in (NOON.date(), NOON))
    assert by_date.gaps
    assert by_datetime.gaps == by_date.gaps


def test_a_moment_is_the_clinics_day():
    assert inputs.as_of_date(NIGHT, "America/Chicago") == date(2026, 3, 17)
    assert inputs.as_of_date(NOON, "America/Chicago") == date(2026, 3, 17)


def test_a_moment_is_no_day_where_no_clinic_is_known():
    with pytest.raises(WaykeeperError, match=r"--week is '2026-03-18 04:00:00\+00:00', which is no day"):
        inputs.day_of(NIGHT, "--week")


def test_medicines_and_the_sheet_take_what_gaps_takes():
    record = str(LEFT.with_name("record.bundle.json"))
    given = {"patient": record, "surgery": "2026-03-18T07:30", "clinic": "clinic-demo"}
    by_text, by_moment = (waykeeper.medicines(**given, as_of=day) for day in ("2026-03-17", NIGHT))
    assert by_moment == by_text
    assert waykeeper.sheet(str(LEFT), as_of=NOON.date()) == waykeeper.sheet(str(LEFT), as_of="2026-03-17")


def test_now_is_in_each_plans_zone_its_own_day(tmp_path):
    """Whichever plan is read first, no plan of another zone is looked at as of yesterday."""
    west = tmp_path / "west.json"
    west.write_text(KNEE.read_text("utf-8").replace("America/Chicago", "Pacific/Honolulu"), "utf-8")
    with time_machine.travel(datetime(2026, 3, 17, 8, tzinfo=UTC), tick=False):  # 03:00 in Chicago, 22:00 on the 16th
        here, there, both = (waykeeper.gaps(*map(str, some)).whole for some in ([LEFT], [west], [west, LEFT]))
    assert (here.as_of, there.as_of) == (date(2026, 3, 17), date(2026, 3, 16))
    by_title = sorted([*here.rows, *there.rows], key=repr)
    assert sorted(both.rows, key=repr) == by_title


def test_what_has_no_place_begins_with_its_code():
    assert Finding("WKC210", "error", "no plan").line() == "WKC210 error: no plan"
    assert str(WaykeeperError(Finding("WKC210", "error", "no plan"))) == "WKC210 error: no plan"
