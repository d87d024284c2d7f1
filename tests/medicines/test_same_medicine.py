"""For which medicine an answer speaks: another text of the same one keeps it, another medicine is asked about anew."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from medicines.test_rows import rows
from waykeeper.medicines import NamedMedicine, by_medicine, same_medicine, settles, told_apart, unclear
from waykeeper.pathway.model import Coding
from waykeeper.plan.model import HoldAnswer
from waykeeper.record.model import MedicineEntry

RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
NDC = "http://hl7.org/fhir/sid/ndc"
LOCAL = "https://alder-quay.example/drugs"


def named(words, *codes, mg=None):
    return NamedMedicine(words, tuple(Coding(*c) for c in codes), Decimal(mg) if mg else None)


@pytest.mark.parametrize(
    ("was", "now"),
    [
        (named("apixaban 5 mg tablet"), named("Apixaban  5 MG Tablet")),
        (named("metoprolol 25 mg"), named("metoprolol 50 mg")),  # no case of its rule turns on the dose
        (named("warfarin"), named("warfarin sodium 5 mg tablet")),
        (named("apixaban", mg="5"), named("apixaban", mg="10.0")),
        (named("apixaban", mg="5"), named("apixaban")),  # written down by one of them only: the texts are compared
        (named("apixaban 2.5 mg tablet", mg="5"), named("apixaban 5 mg tablet", mg="5")),  # two tablets, one tablet
        (named("apixaban 5 mg"), named("apixaban 10 mg")),  # both above the only limit of its rule, 2.5 mg
        (named("apixaban 5 mg"), named("apixaban 5 mg", (RXNORM, "1364430"))),
        (named("apixaban 5 mg", (LOCAL, "A-1")), named("apixaban 5 mg", (LOCAL, "A-2"))),  # repackaged
        (named("see the card", (NDC, "1")), named("see the card", (LOCAL, "9"))),  # coded in systems of their own
        (named("frobnicol 5 mg"), named("Frobnicol 5mg")),
        (named("acetaminophen/codeine 300/30 mg"), named("codeine/acetaminophen 30/300 mg")),
    ],
)
def test_another_text_of_the_same_medicine_keeps_its_answer(was, now):
    assert same_medicine(was, now) and same_medicine(now, was)


@pytest.mark.parametrize(
    ("was", "now"),
    [
        (named("apixaban 5 mg tablet"), named("rivaroxaban 20 mg tablet")),
        (named("apixaban 5 mg tablet"), named("metformin 500 mg tablet")),
        (named("aspirin 81 mg"), named("aspirin 25 mg/dipyridamole 200 mg")),
        (named("apixaban 2.5 mg"), named("apixaban 5 mg")),  # 2.5 mg may be prophylaxis: another case of its rule
        (named("apixaban"), named("apixaban 2.5 mg")),  # the dose was not told
        (named("rivaroxaban 10 mg"), named("rivaroxaban 20 mg")),
        (named("apixaban", mg="2.5"), named("apixaban", mg="5")),
        (named("apixaban 2.5 mg tablet", mg="2.5"), named("apixaban 2.5 mg tablet", mg="5")),  # one tablet, two tablets
        (named("diclofenac gel"), named("diclofenac 50 mg tablet")),  # on the skin, by mouth
        (named("timolol eye drops"), named("timolol 10 mg tablet")),
        (named("frobnicol 5 mg"), named("frobnicol 10 mg")),  # nobody knows what it is: text is all there is
        (named("frobnicol 5 mg"), named("apixaban 5 mg")),
        (named("see the card", (LOCAL, "A-1")), named("see the card", (LOCAL, "B-7"))),
        (named("apixaban 5 mg"), named("apixaban 5 mg", (RXNORM, "11289"))),  # the new code says warfarin
    ],
)
def test_another_medicine_under_the_same_order_is_another(was, now):
    assert not same_medicine(was, now) and not same_medicine(now, was)


def test_an_answer_that_does_not_say_for_which_medicine_counts_as_before():
    entry = MedicineEntry(key="row-0", words="rivaroxaban 20 mg")
    stand, past = by_medicine({"row-0": HoldAnswer("hold", 2), "row-9": HoldAnswer("continue")}, [entry])
    assert (stand, past) == ({"row-0": HoldAnswer("hold", 2)}, {})


def test_the_row_tells_the_answer_and_asks_anew():
    answer = HoldAnswer("hold", 2, "Dr Reed", date(2026, 3, 1), medicine=named("apixaban 5 mg tablet"))
    (row,) = rows("warfarin 5 mg", answers={"row-0": answer})
    assert (row.decision, row.missed_days, row.answered) == ("hold", 5, False)
    assert row.question.startswith(
        "the medicine under this order changed from 'apixaban 5 mg tablet' to 'warfarin 5 mg' since the answer of "
        "Sun 2026-03-01 (hold, N = 2 by Dr Reed), which does not count for it"
    )
    (same,) = rows("apixaban 5 mg", answers={"row-0": answer})
    assert (same.answered, same.missed_days) == (True, 2)


def test_a_reason_that_was_told_of_another_medicine_chooses_no_rule():
    """Aspirin goes on for the heart (CHEST 2022); that clopidogrel was for the heart says nothing of aspirin."""
    said = HoldAnswer("indication", text="cardiovascular", medicine=named("clopidogrel 75 mg"))
    (row,) = rows("aspirin 81 mg", answers={"row-0": said})
    (bare,) = rows("aspirin 81 mg")
    assert (row.decision, row.rule) == (bare.decision, bare.rule) == ("ask", "aspirin")
    (right,) = rows("aspirin 81 mg", answers={"row-0": HoldAnswer("indication", text="cardiovascular")})
    assert right.decision == "continue"


def test_a_row_that_no_rule_knows_keeps_its_review_and_tells_the_answer():
    answer = HoldAnswer("continue", medicine=named("metoprolol 50 mg"))
    (row,) = rows("zzzmab", answers={"row-0": answer})
    assert (row.recognised, row.answered, row.decision) == (False, False, "ask")
    assert row.question.startswith("needs review, ") and "changed from 'metoprolol 50 mg' to 'zzzmab'" in row.question


@pytest.mark.parametrize(
    ("decision", "days", "asks"),
    [
        ("hold", 5, False), ("hold", 0, False), ("continue", None, False), ("adjust", None, False),
        ("time", None, False), ("already stopped", None, False), ("entered in error", None, False),
        ("hold", None, True), ("stop", None, True), ("stop", 5, True), ("continue", 5, True), ("maybe", None, True),
        ("", None, True), ("ask", None, True), ("indication", None, True), ("hold 700 days", None, True),
    ],
)  # fmt: skip
def test_an_answer_is_clear_or_it_asks(decision, days, asks):
    """A pause says its days; any other decision says none. `stop` says neither from when nor whether it comes back."""
    answer = HoldAnswer(decision, days)
    assert unclear(answer) is asks and settles(answer) is not asks
    assert not settles(None)


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        (named("apixaban"), named("warfarin"), ("apixaban", "warfarin")),
        (named("apixaban", mg="2.5"), named("apixaban", mg="5"), ("apixaban, 2.5 mg a dose", "apixaban, 5 mg a dose")),
        (named("pill", (LOCAL, "A")), named("pill", (LOCAL, "B")), ("pill (code A)", "pill (code B)")),
        (named("pill"), named("pill", (LOCAL, "B")), ("pill", "pill (code B)")),
    ],
)
def test_two_medicines_are_told_apart(was, now, told):
    assert told_apart(was, now) == told
