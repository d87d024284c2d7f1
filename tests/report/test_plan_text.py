"""A plan in the terminal, and the explanation of an item."""

from __future__ import annotations

from dataclasses import replace

import pytest

from report.builder import SURGERY, plan
from waykeeper.findings import Position, WaykeeperError
from waykeeper.plan.model import HoldAnswer, Key
from waykeeper.report.plain import width_of
from waykeeper.report.plan_text import explain_item, plan_table

WARFARIN = Key("hold", "urn:rx|1")


@pytest.mark.parametrize("width", [60, 80, 132])
def test_the_table_fits_and_holds_every_item_once(width):
    made = plan()
    marked = replace(made, items=tuple(replace(i, title=f"item{n:03d}") for n, i in enumerate(made.items)))
    text = plan_table(marked, width)
    assert max(map(width_of, text.splitlines())) <= width
    for n in range(len(made.items)):
        assert text.count(f"item{n:03d}") == 1


def test_the_table_is_in_the_order_of_days_and_names_standings():
    text = plan_table(plan())
    assert "arrival Wed 2026-03-18 05:30 (assumed: 2 hours before surgery)" in text
    assert text.index("Wed 2026-03-04") < text.index("Wed 2026-04-01") < text.index("Thu 2026-06-18")
    assert "waits for release of" in text
    assert "AQ-0042" not in text


def test_an_unanswered_hold_is_marked_as_a_proposal():
    flat = " ".join(plan_table(plan(), 200).split())
    assert "Pause Warfarin 5 mg, one tablet each evening [the last-dose day; proposal, not answered]" in flat
    assert "[needs review]" in flat


def test_explain_names_line_anchor_arithmetic_and_source():
    made, key = plan(), Key("task", "wash", "evening-1")
    items = tuple(replace(i, origin=Position("ankle.yaml", 40, 7), overlays=("three-washes",)) if i.key == key else i
                  for i in made.items)  # fmt: skip
    text = explain_item(replace(made, items=items), key)
    for part in ("line: ankle.yaml:40:7", "overlays: three-washes", "anchor: surgery Wed 2026-03-18 07:30 (given)",
                 "arithmetic: 1 day before surgery in the evening: 2026-03-17", "source: Common rule of the trade",
                 "pathway: https://alder-quay.example/pathways/ankle|1.0.0", "when: Tue 2026-03-17 20:00"):  # fmt: skip
        assert part in text
    assert "look it up in the pathway file" in explain_item(made, str(key), 200)


def test_explain_prints_both_days_of_a_hold():
    """Five missed days before Wed 2026-03-18: last dose Thu 03-12, first day without Fri 03-13."""
    text = explain_item(plan(), WARFARIN)
    assert "last dose: Thu 2026-03-12" in text
    assert "first day without: Fri 2026-03-13" in text
    assert "a proposal that nobody has answered" in text
    made = plan()
    answer = HoldAnswer("hold", 5, "Dr. Vale", SURGERY)
    items = tuple(replace(i, hold=replace(i.hold, answered=answer)) if i.key == WARFARIN else i for i in made.items)
    assert "hold by Dr. Vale" in explain_item(replace(made, items=items), WARFARIN)


def test_a_wrong_key_gets_the_nearest():
    with pytest.raises(WaykeeperError, match=r"WKO006.*Did you mean 'task/wash/evening-1'"):
        explain_item(plan(), "task/wash/evening1")
