"""Laws: rows in = rows out, dates move with surgery, every stop has a restart, nothing is classified by luck."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from medicines.case_files import CALENDAR, ZONE, entry, proposal_cases
from waykeeper.medicines import MedicineRow, check_rules, package_rules, propose, restart_rows
from waykeeper.medicines.words import normalise
from waykeeper.record.model import Kidney, MedicineEntry
from waykeeper.timing import Moment, calendar_for

RULES = package_rules()
CALENDARS = calendar_for("US", range(2024, 2031), zone=ZONE)
NAMES = sorted(RULES.ingredients)
TAILS = [
    "", " 5 mg", " tablet", " injection weekly on Thursday", " pen every 4 weeks", " oral daily", " extended release",
]  # fmt: skip
ANAESTHESIA = ["general", "spinal", "deep-block", "superficial-block", "unknown"]

known = st.builds(lambda n, t: n + t, st.sampled_from(NAMES), st.sampled_from(TAILS))
words = st.one_of(known, st.text(max_size=40))
entries = st.lists(
    st.builds(
        lambda w, status, reason: MedicineEntry(key="", words=w, status=status, indication=reason),
        words,
        st.sampled_from(["active", "stopped", "completed", "on-hold", "draft", "unknown", "intended", "odd"]),
        st.sampled_from([(), ("stroke",), ("heart failure",), ("breast cancer",), ("lupus nephritis",)]),
    ),
    max_size=12,
).map(lambda found: [replace(e, key=f"row-{n}") for n, e in enumerate(found)])
policies = st.fixed_dictionaries(
    {},
    optional={
        "glp1": st.sampled_from(["ask", "ASA2023_HOLD", "MULTI2024_RISK", "ALWAYS_LIQUID24"]),
        "nsaids": st.sampled_from(["NSAID_LARGER", "NSAID_LIST", "NSAID_5T12", "NSAID_ALL_7D"]),
        "naltrexone": st.sampled_from(["NTX_XR_N28", "NTX_XR_28D"]),
        "blood_thinners": st.sampled_from(["none", "BLANKET_7D"]),
    },
)


def at(day: date) -> Moment:
    return Moment(day, time(7, 30), ZONE)


def proposed(found: list[MedicineEntry], day: date, anaesthesia: str, set_: dict[str, str]) -> tuple[MedicineRow, ...]:
    return propose(found, at(day), Kidney(), anaesthesia, set_, calendar=CALENDARS)


days = st.dates(date(2026, 1, 1), date(2028, 12, 31))


@settings(max_examples=40, deadline=None)
@given(entries, days, st.sampled_from(ANAESTHESIA), policies)
def test_count_in_is_count_out_and_every_stop_has_a_restart(
    found: list[MedicineEntry], day: date, anaesthesia: str, set_: dict[str, str]
) -> None:
    rows = proposed(found, day, anaesthesia, set_)
    assert [(r.key, r.words) for r in rows] == [(e.key, e.words) for e in found]
    for row in rows:
        assert row.decision != "ask" or row.question
        assert not row.stops or (row.restart and row.restart_by)
        assert row.recognised or (row.decision, row.missed_days) == ("ask", None)
        if row.missed_days is not None:
            assert row.last_dose is not None and row.last_dose <= day - timedelta(row.missed_days + 1)
            assert row.first_missed is not None and row.last_dose < row.first_missed
    assert len(restart_rows(rows, cancelled_on=day)) == sum(r.stops for r in rows)


@settings(max_examples=40, deadline=None)
@given(st.lists(known, min_size=1, max_size=8), days, st.integers(-40, 40), st.sampled_from(ANAESTHESIA), policies)
def test_days_move_with_surgery(
    texts: list[str], day: date, shift: int, anaesthesia: str, set_: dict[str, str]
) -> None:
    """Day-based dates move by as many days as surgery. Weekly rows keep their weekday, rituximab counts months."""
    texts = [t for t in texts if "weekly" not in t and "rituximab" not in t]
    found = [MedicineEntry(key=f"row-{n}", words=t) for n, t in enumerate(texts)]
    step = timedelta(shift)
    before, after = proposed(found, day, anaesthesia, set_), proposed(found, day + step, anaesthesia, set_)
    for one, other in zip(before, after, strict=True):
        assert (one.decision, one.missed_days) == (other.decision, other.missed_days)
        if one.last_dose is not None and one.last_limit is None:
            assert other.last_dose == one.last_dose + step
        if one.window is not None:
            assert other.window == (one.window[0] + step, one.window[1] + step)
        if one.restart_from is not None:
            assert other.restart_from == one.restart_from + step


@settings(max_examples=40, deadline=None)
@given(known, days, policies)
def test_a_possible_needle_never_shortens_a_hold(text: str, day: date, set_: dict[str, str]) -> None:
    found = [MedicineEntry(key="row-1", words=text)]
    (plain,), (unknown,) = (proposed(found, day, a, set_) for a in ("general", "unknown"))
    if plain.last_dose is not None and unknown.last_dose is not None:
        assert unknown.last_dose <= plain.last_dose


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(NAMES).filter(lambda n: len(n) > 4), st.data())
def test_one_wrong_letter_never_classifies(name: str, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(name) - 1))
    letter = data.draw(st.sampled_from("abcdefghijklmnopqrstuvwxyz"))
    spoilt = name[:place] + letter + name[place + 1 :]
    assume(spoilt != name)
    (row,) = proposed([MedicineEntry(key="row-1", words=spoilt)], date(2026, 3, 18), "general", {})
    assert not row.recognised or normalise(spoilt) in RULES.names


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_findings_and_never_a_traceback(source: bytes) -> None:
    assert isinstance(check_rules("others.yaml", source), list)


def test_the_same_input_gives_the_same_rows() -> None:
    given_ = [entry(c.given, c.id) for c in proposal_cases()]
    one, other = (propose(given_, at(date(2026, 3, 18)), Kidney(), "unknown", {}, calendar=CALENDAR) for _ in "ab")
    assert one == other and len(one) == len(given_)
