"""Conditions of a case: bounds on both sides, words, and what is unknown."""

from __future__ import annotations

from fractions import Fraction

import pytest

from waykeeper.medicines.conditions import Situation, bound, first, holds
from waykeeper.medicines.model import Case


def case(**when: tuple[str, ...]) -> Case:
    return Case(when=when, decision="continue")


def kidney(value: str | None) -> Situation:
    return Situation({"crcl": None if value is None else Fraction(value)}, {})


@pytest.mark.parametrize(
    ("text", "below", "at", "above"),
    [
        (">=50", False, True, True), (">50", False, False, True), ("<50", True, False, False),
        ("<=50", True, True, False), ("=50", False, True, False),
    ],
)  # fmt: skip
def test_bounds(text: str, below: bool, at: bool, above: bool) -> None:
    got = [holds(case(crcl=(text,)), kidney(v)) for v in ("4999/100", "50", "5001/100")]
    assert got == [below, at, above]


def test_two_bounds_must_both_hold() -> None:
    band = case(crcl=(">=30", "<50"))
    assert [holds(band, kidney(v)) for v in ("29", "30", "49", "50")] == [False, True, True, False]


def test_unknown_counts_only_where_it_is_listed() -> None:
    assert not holds(case(crcl=("<50",)), kidney(None))
    assert holds(case(crcl=("<50", "unknown")), kidney(None))
    assert not holds(case(crcl=("unknown",)), kidney("40"))
    assert not holds(case(indication=("stroke",)), Situation({}, {}))
    assert holds(case(indication=("unknown",)), Situation({}, {}))


def test_one_of_the_words_is_enough_and_all_conditions_must_hold() -> None:
    situation = Situation({}, {"indication": frozenset({"stroke", "stent"}), "bleed": frozenset({"low"})})
    assert holds(case(indication=("stent", "cancer")), situation)
    assert not holds(case(indication=("stent",), bleed=("high",)), situation)
    assert holds(case(), situation)


def test_the_first_case_that_holds_counts() -> None:
    never, always, later = case(bleed=("high",)), case(), case()
    assert first((never, always, later), Situation({}, {"bleed": frozenset({"low"})})) is always
    assert first((never,), Situation({}, {})) is None


@pytest.mark.parametrize("text", ["50", "<", "< 50", "=>50", "<fifty", ""])
def test_what_is_no_bound_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no bound"):
        bound(text)
