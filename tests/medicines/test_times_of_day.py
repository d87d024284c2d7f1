"""At what time of day, and on which day of the week: read from the timing or the text of an order."""

from __future__ import annotations

from datetime import time

import pytest

from medicines.case_files import entry
from waykeeper.medicines.dosing import with_dosing
from waykeeper.medicines.times_of_day import evening_only, usual_times
from waykeeper.record import read

PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("one tablet at 20:00", [time(20)]), ("at 8:00 PM", [time(20)]), ("at 8 pm", [time(20)]),
        ("7:30 a.m.", [time(7, 30)]),
        ("12 am and 12 pm", [time(0), time(12)]), ("07:00 and 7 PM", [time(7), time(19)]), ("12:30 pm", [time(12, 30)]),
        ("every day at 0800", [time(8)]), ("at 2030.", [time(20, 30)]), ("at 1000 mg a day", []),
        ("inject 1000 units", []),
        ("10 mg in the am", []), ("2.5 mg", []), ("every 8 h", []), ("250 AM tablets", []), ("take 20:000 units", []),
    ],
)  # fmt: skip
def test_clock_times_in_words(text: str, wanted: list[time]) -> None:
    found = usual_times(entry({"words": "lisinopril", "dose_text": text}))
    assert [(u.first, u.last) for u in found] == [(t, t) for t in wanted]


@pytest.mark.parametrize(
    "text", ["in the evening", "each evening", "at bedtime", "qHS", "at night", "with supper", "nightly"]
)
def test_an_evening_in_words(text: str) -> None:
    assert evening_only(entry({"words": "lisinopril", "dose_text": text}))


@pytest.mark.parametrize(
    "text",
    ["", "once a day", "in the morning", "morning and night", "twice daily, last in the evening", "at noon and bedtime",
     "8 am, not in the evening", "every 8 hours day and night", "BID with breakfast and dinner"],
)  # fmt: skip
def test_what_is_no_evening_alone(text: str) -> None:
    assert not evening_only(entry({"words": "lisinopril", "dose_text": text}))


@pytest.mark.parametrize(
    ("repeat", "hours", "evening"),
    [
        ({"timeOfDay": ["20:00:00"]}, ("20:00",), False),
        ({"when": ["HS"]}, ("HS",), True),
        ({"when": ["PCV"]}, ("PCV",), True),
        ({"when": ["MORN", "EVE"]}, ("MORN", "EVE"), False),
        ({"when": ["C"]}, ("C",), False),
    ],
)
def test_the_structured_timing(repeat: dict[str, list[str]], hours: tuple[str, ...], evening: bool) -> None:
    """FHIR R4, Timing.repeat.timeOfDay and .when (value set event-timing)."""
    order = {
        "resourceType": "MedicationRequest", "id": "1", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": "lisinopril 10 mg"},
        "dosageInstruction": [{"timing": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", **repeat}}}],
    }  # fmt: skip
    (one,) = read([PATIENT, ("MedicationRequest/1", order)]).medicines
    assert (one.hours, evening_only(one)) == (hours, evening)


@pytest.mark.parametrize(
    ("text", "period", "weekday"),
    [
        ("every Thursday", 7, 3), ("each Wed", 7, 2), ("on Sundays", 7, 6), ("every other Thursday", 14, 3),
        ("every other week", 14, None), ("every 14 days", 14, None), ("Thursday", None, 3),
        ("every Mon and Thu", None, None), ("every second Monday of the month", None, 0),
        ("daily, every Monday", None, 0),
    ],
)  # fmt: skip
def test_days_of_the_week_in_words(text: str, period: int | None, weekday: int | None) -> None:
    read_as = with_dosing(entry({"words": "semaglutide", "dose_text": text}), "known")
    assert (read_as.period_days, read_as.weekday) == (period, weekday)
