"""Property: the order in which messages stand in files plays no part, and nobody's booking goes without a trace."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

from hypothesis import given
from hypothesis import strategies as st

from waykeeper.exchange.sources.model import Reading, Statement
from waykeeper.exchange.sources.settling import settled
from waykeeper.exchange.sources.siu_numbers import Entity, Numbers, numbered
from waykeeper.findings import Position
from waykeeper.plan.model import Evidence

PATIENTS = (("m|1",), ("m|2",), ("m|1", "n|1"), ())
NUMBERS = (("P1", "F1"), ("", "F1"), ("P1", ""), ("P2", "F2"), ("", ""))
STATUSES = ("booked", "cancelled", "fulfilled")


@st.composite
def messages(draw):
    made = []
    for n in range(draw(st.integers(1, 6))):
        at = datetime(2026, 1, draw(st.integers(1, 4)), tzinfo=UTC)
        day = date(2026, 4, draw(st.integers(28, 29)))
        start = datetime(day.year, day.month, day.day, 14, tzinfo=UTC)
        status = draw(st.sampled_from(STATUSES))
        placer, filler = draw(st.sampled_from(NUMBERS))
        said = Evidence(f"r{n}", "appointment", status, draw(st.sampled_from(PATIENTS)), day, start)
        one = Statement(said, Position("f", n), filler or placer, (0, at), status == "cancelled")
        made.append((one, Numbers(Entity(placer), Entity(filler))))
    return made


def read(made):
    reading = Reading()
    reading.statements, noticed = numbered([s for s, _ in made], [n for _, n in made])
    found = settled(reading)
    said = sorted(str(replace(e, reference="", origin="", patient=tuple(sorted(e.patient)))) for e in found.evidence)
    return said, sorted(f.code for f in (*noticed, *found.findings))


@given(messages().flatmap(lambda made: st.tuples(st.just(made), st.permutations(made))))
def test_the_order_of_messages_plays_no_part(two):
    first, second = (read(made) for made in two)
    assert first[0] == second[0]


@given(messages())
def test_every_patient_who_is_named_has_a_booking(made):
    reading = Reading()
    reading.statements, _ = numbered([s for s, _ in made], [n for _, n in made])
    told = {name for e in settled(reading).evidence for name in e.patient}
    assert {name for s, _ in made for name in s.evidence.patient} == told
