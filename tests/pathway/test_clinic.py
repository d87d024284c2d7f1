"""The clinic's values: its calendar, settings and roles."""

from datetime import date, time

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
