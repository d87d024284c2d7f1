"""What was dispensed without an order: in which place on the page, and asked about wherever it stands."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from medicines.case_files import CALENDAR, moment
from waykeeper.medicines import MedicinesPage, page, page_json, propose
from waykeeper.plan.model import HoldAnswer
from waykeeper.record import read
from waykeeper.record.model import Kidney
from waykeeper.report.medicines import USED_UP, medicines_html, medicines_text

SURGERY = moment("2026-03-18T07:30")
PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})


# Of these the rule asks the interval, so that no window of days is known (2022 ACR/AAHKS guideline).
CYCLES = ("tocilizumab injection", "golimumab pen", "infliximab", "certolizumab injection", "belimumab", "anifrolumab")


def dispensed(words: str, on: str, days: int | None) -> dict[str, Any]:
    supply = {"daysSupply": {"value": days, "unit": "d"}} if days else {}
    return {"resourceType": "MedicationDispense", "status": "completed", "whenHandedOver": on,
            "medicationCodeableConcept": {"text": words}, **supply}  # fmt: skip


def ordered(words: str) -> dict[str, Any]:
    return {"resourceType": "MedicationRequest", "status": "active", "intent": "order",
            "medicationCodeableConcept": {"text": words}}  # fmt: skip


def made(*resources: dict[str, Any], as_of: date | None = None, answer: HoldAnswer | None = None) -> MedicinesPage:
    pairs = [(f"{r['resourceType']}/{n}", {**r, "id": str(n)}) for n, r in enumerate(resources)]
    entries = read([PATIENT, *pairs], surgery=SURGERY.day).medicines
    answers = {entries[0].key: answer} if answer else {}
    rows = propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR, answers=answers)
    return page(rows, entries, surgery=SURGERY, as_of=as_of)


def ended(days_before: int, words: str = "naproxen 250 mg") -> dict[str, Any]:
    """Ten days' supply, of which the last lies so many days before surgery."""
    return dispensed(words, (SURGERY.day - timedelta(days_before + 9)).isoformat(), 10)


@pytest.mark.parametrize(
    ("resource", "wanted"),
    [
        (ended(91), True),
        (ended(90), False),
        (ended(300, "zorblix 7"), False),  # not recognised
        (ended(300, "Coumadn 5 mg tablet"), False),  # a blood thinner misspelled
        (
            ended(300, "ocrelizumab 300 mg"),
            False,
        ),  # no rule knows it, and it works for half a year (label, from memory)
        (dispensed("naproxen 250 mg", "2025-05-02", None), False),  # nobody says for how long
        (ended(300, "apixaban 5 mg"), False),  # a blood thinner
        (ended(300, "clopidogrel 75 mg"), False),
        (ended(300, "adalimumab 40 mg"), False),  # given in cycles
        (ended(300, "rituximab"), False),
        *((ended(300, name), False) for name in CYCLES),
        (ended(300, "prednisone 10 mg tablet"), False),
        (ended(300, "leflunomide 20 mg tablet"), False),
        (ordered("naproxen 250 mg"), False),
    ],
)
def test_what_stands_at_the_end(resource: dict[str, Any], wanted: bool) -> None:
    (line,) = made(resource).lines
    assert line.used_up is wanted


def test_it_is_counted_and_asked_and_shuts_the_gate_wherever_it_stands() -> None:
    shown = made(ended(300), ended(300, "ibuprofen 400 mg"), ordered("metoprolol 50 mg"), ended(300, "zorblix 7"))
    assert [x.row.words for x in shown.lines] == [
        "zorblix 7", "metoprolol 50 mg", "naproxen 250 mg", "ibuprofen 400 mg",
    ]  # fmt: skip
    text = medicines_text(shown, 200)
    assert "4 medicines on the list, 3 with a question" in text
    assert "1 of 4 not recognised: the release gate stays shut" in text
    assert "3 of them were dispensed or given without an order" in text and "lines 3 to 4, set apart" in text
    assert text.index("2. CONTINUE metoprolol") < text.index(USED_UP[0]) < text.index("3. ASK naproxen")
    html = medicines_html(shown)
    assert html.count(USED_UP[0]) == 1 and html.count('class="sign"') == 4
    assert [row["decision"] for row in page_json(shown)["rows"]] == [
        "continue",
        "ask",
        "ask",
        "ask",
    ]  # in the order of the list


def test_the_day_it_was_handed_over_is_shown() -> None:
    shown = made(dispensed("ibuprofen 400 mg", "2026-02-20", 30))
    (row,) = page_json(shown)["rows"]
    assert (row["unlisted"], row["handed_over"], row["supplied_until"]) == (True, "2026-02-20", "2026-03-21")
    assert "handed over Fri 2026-02-20, until Sat 2026-03-21 by its days of supply" in medicines_text(shown, 200)
    assert "all of them were dispensed or given without an order" in medicines_text(shown, 200)


def test_a_late_one_and_an_answered_one_keep_their_places() -> None:
    late = made(ended(300, "ibuprofen 400 mg"), as_of=date(2026, 3, 17))
    assert late.lines[0].late and not late.lines[0].used_up
    assert not made(ended(300), answer=HoldAnswer("already stopped")).lines[0].used_up


def test_what_was_entered_in_error_still_stands_last() -> None:
    mistaken = {**ordered("warfarin 5 mg"), "status": "entered-in-error"}
    assert [x.row.words for x in made(mistaken, ended(300)).lines] == ["naproxen 250 mg", "warfarin 5 mg"]


def test_a_list_of_orders_says_nothing_of_dispenses() -> None:
    assert "without an order" not in medicines_text(made(ordered("metoprolol 50 mg")), 200)
