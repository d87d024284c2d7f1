"""The clinic's values: its calendar, settings and roles."""

from datetime import date, time

import pytest

from pathway.frame import clinic
from waykeeper.pathway import read_clinic
from waykeeper.pathway.model import Settings


def made(**changes):
    value, findings = read_clinic("clinic.yaml", clinic(changes))
    assert value is not None, [f.line() for f in findings]
    return value


def test_the_calendar_has_holidays_closures_and_open_days():
    holidays = "{calendar: US, closures: {2026-04-03: Good Friday}, open: {2026-05-25: Busy}}"
    calendar = made(holidays=holidays).calendar
    assert calendar.zone == "America/Chicago"
    assert calendar.weekdays == {0, 4}
    assert not calendar.is_open(date(2026, 4, 3))
    # Observed Independence Day 2026: the 4th is a Saturday, so federal offices close on Friday the 3rd
    # (5 U.S.C. 6103(b)(1)).
    assert not calendar.is_open(date(2026, 7, 3))
    assert calendar.is_open(date(2026, 5, 25))  # Memorial Day, on which this clinic works
    assert not calendar.is_open(date(2027, 5, 31))
    assert calendar.parts == {"morning": time(8), "afternoon": time(14), "evening": time(20)}
    assert calendar.hours == (time(8), time(16, 30))


def test_settings_have_defaults_and_are_read():
    assert made().settings == Settings()
    settings = made(
        settings="{grace: 1 day, booking_lead: 0 days, contact_attempts: 5, recognised_closes: false}"
    ).settings
    assert (settings.grace_days, settings.booking_lead_days, settings.contact_attempts) == (1, 0, 5)
    assert not settings.recognised_closes


def test_roles_telephone_identifiers_policies_overlays():
    value = made(overlays="[one, two]", policies="{glp1: ask}")
    assert value.roles == {"surgeon": "Surgeon"}
    assert value.telephone == {"surgeon": "312-555-0103"}
    assert value.patient_identifier_system == "https://alder-quay.example/mrn"
    assert value.overlays == ("one", "two")
    assert value.policies == {"glp1": "ask"}
    assert value.file == "clinic.yaml"


def test_an_error_gives_no_clinic():
    value, findings = read_clinic("clinic.yaml", clinic({"zone": "Nowhere"}))
    assert value is None
    assert [f.code for f in findings] == ["WKP701"]


def test_without_a_countrys_calendar_the_closures_are_the_closed_days():
    text = clinic({"holidays": "{calendar: none, closures: {2026-04-03: Good Friday}}"})
    made, found = read_clinic("clinic.yaml", text)
    assert not found
    assert (dict(made.calendar.closed), made.calendar.source) == ({date(2026, 4, 3): "Good Friday"}, "")
    assert made.calendar.years[-1] >= 2060


@pytest.mark.parametrize(
    ("country", "told"),
    [
        ("GB", "ENG has Easter Monday on 2026-04-06"),  # Banking and Financial Dealings Act 1971, from memory
        ("AU", "ACT has Canberra Day on 2026-03-09"),  # Holidays Act 1958 (ACT), from memory
        ("DE", "BB has Reformation Day on 2028-10-31"),  # a Tuesday; Feiertagsgesetz of Brandenburg, from memory
        ("GB-SCT", ""),
        ("US", ""),  # the federal days; some states have no others
        ("FR", ""),
        ("none", ""),
    ],
)
def test_a_country_alone_is_warned_about_where_each_of_its_parts_closes_on_more_days(country, told):
    week = "{" + ", ".join(f"{one}day: 08:00 to 16:00" for one in ("mon", "tues", "wednes", "thurs", "fri")) + "}"
    _, found = read_clinic("clinic.yaml", clinic({"holidays": f"{{calendar: {country}}}", "hours": week}))
    assert [f.code for f in found] == (["WKP709"] if told else [])
    assert all(told in f.details and f"{country}-" in f.help for f in found)
