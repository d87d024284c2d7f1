"""The layout of a patient's timeline: pure numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from report.caseload import AS_OF, report
from waykeeper.gaps import Row
from waykeeper.report.timeline import layout

_ROW = next(r for r in report().rows if r.kind == "visit")


def visit(opens: date, target: date, closes: date, **days: date) -> Row:
    bare = replace(_ROW, booked=None, attended=None, evidence_day=None, verdict="to-book")
    return replace(bare, window_start=opens, target=target, window_end=closes, **days)


def test_order_on_the_page_is_the_order_of_the_days():
    """Window opens before its target, target before close, and today where it lies between them."""
    line = layout([visit(date(2026, 6, 4), date(2026, 6, 18), date(2026, 7, 2))], AS_OF)
    lane = line.lanes[0]
    left, width = lane.window
    assert left < lane.target < line.today.x < left + width
    assert line.surgery.x < left


def test_a_day_is_as_wide_everywhere():
    days = [date(2026, 3, 1) + timedelta(days=10 * i) for i in range(8)]
    line = layout([visit(d, d, d) for d in days], days[0])
    steps = {round(b.target - a.target, 1) for a, b in zip(line.lanes, line.lanes[1:], strict=False)}
    assert len(steps) == 1


@settings(max_examples=examples(60), deadline=None)
@given(
    start=st.dates(date(2024, 1, 1), date(2030, 1, 1)),
    spans=st.lists(st.tuples(st.integers(-400, 800), st.integers(0, 60), st.integers(0, 60)), min_size=1, max_size=6),
    as_of=st.integers(-1000, 1000),
)
def test_everything_lies_inside_the_picture(start, spans, as_of):
    rows = []
    for shift, before, after in spans:
        target = start + timedelta(days=shift)
        rows.append(visit(target - timedelta(days=before), target, target + timedelta(days=after), booked=target))
    line = layout(rows, start + timedelta(days=as_of))
    xs = [line.today.x, *(m.x for m in line.months)]
    for lane in line.lanes:
        xs += [lane.target, lane.booked, lane.window[0], lane.window[0] + lane.window[1]]
    assert all(0 <= x <= 101 for x in xs)
    assert len({lane.y for lane in line.lanes}) == len(rows)
    assert all(b.x - a.x >= 19 for a, b in zip(line.months, line.months[1:], strict=False))


def test_the_text_says_what_the_picture_shows():
    row = visit(date(2026, 6, 4), date(2026, 6, 18), date(2026, 7, 2), booked=date(2026, 6, 30))
    said = layout([row], AS_OF).text
    for part in ("Thu 2026-06-04 to Thu 2026-07-02", "target Thu 2026-06-18", "booked Tue 2026-06-30", "to-book"):
        assert part in said
    assert "attended" not in said


def test_an_unconfirmed_booking_is_drawn_as_a_booking():
    row = replace(visit(date(2026, 6, 4), date(2026, 6, 18), date(2026, 7, 2)), verdict="unconfirmed",
                  evidence_day=date(2026, 6, 18))  # fmt: skip
    assert layout([row], AS_OF).lanes[0].booked is not None


def test_no_visit_no_picture():
    assert layout([r for r in report().rows if r.kind != "visit"], AS_OF) is None
