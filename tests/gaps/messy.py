"""Hypothesis strategies for bookings of one patient: anything a scheduler may hold, on any day near the plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from effort import examples
from gaps.plans import SPECIALTY, SURGERY, TYPE, VISITS, ankle, evidence, link

OTHER_TYPE = "https://alder-quay.example/types|skin-clinic"
STATUSES = (
    "fulfilled", "booked", "arrived", "checked-in", "proposed", "pending", "waitlist", "noshow", "cancelled",
    "entered-in-error", "some-other-word",
)  # fmt: skip
ENCOUNTERS = ("planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "entered-in-error")
TEXTS = (
    "", "follow-up", "6 week check", "wound check", "three month review", "ankle x-ray review", "6 month",
    "12 weeks", "2 wk post op", "annual review", "physio", "telephone call", "6 week check, walk-in",
)  # fmt: skip
PLAN = ankle()
LOOKS = st.sampled_from([  # service types, specialties, minutes, telehealth: what a scheduler writes beside the text
    (types, specialties, minutes, far)
    for types in ((), (TYPE,), (OTHER_TYPE,))
    for specialties in ((), (SPECIALTY,), ("https://alder-quay.example/specialties|dermatology",))
    for minutes in (None, 20, 90)
    for far in (False, False, True)
])  # fmt: skip
# A busy machine is no reason to fail: nothing here depends on time.
law = settings(max_examples=examples(100), deadline=None, suppress_health_check=[HealthCheck.too_slow])


def days(first: int = -90, last: int = 480) -> st.SearchStrategy[date]:
    return st.integers(first, last).map(lambda n: SURGERY + timedelta(days=n))


@st.composite
def appointments(draw, number: int, *, linked: bool | None = None):
    points = draw(st.booleans()) if linked is None else linked
    kind = draw(st.sampled_from(["appointment"] * 3 + ["encounter"]))
    types, specialties, minutes, far = draw(LOOKS)
    fell, by_us, backwards = draw(st.sampled_from(
        [("", False, False), ("patient", False, False), ("clinic", False, False), ("", True, False), ("", False, True)]
    ))  # fmt: skip
    one = evidence(
        f"{kind.capitalize()}/{number}", draw(st.sampled_from(STATUSES if kind == "appointment" else ENCOUNTERS)),
        draw(st.one_of(st.none(), days(), days(), days())), kind=kind, at=draw(st.sampled_from(["08:00", "10:00"])),
        link_to=link(PLAN, draw(st.sampled_from(sorted(VISITS)))) if points else None,
        text=draw(st.sampled_from(TEXTS)),
        service_types=types, specialties=specialties, minutes=minutes, telehealth=far, fell=fell, cancelled_by_us=by_us,
    )  # fmt: skip
    return replace(one, end=one.end - timedelta(hours=1)) if backwards and one.end is not None else one


@st.composite
def bookings(draw, most: int = 6):
    count = draw(st.integers(0, most))
    made = [draw(appointments(n)) for n in range(count)]
    owners = [e.reference for e in made if e.kind == "appointment"]
    return [replace(e, appointment=draw(st.sampled_from(["", *owners]))) if e.kind == "encounter" else e for e in made]
