"""Rows that a person put off or closed: their bookings, questions and reasons are still on the page and in the text."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html import unescape

import pytest

from gaps.plans import ankle, evidence, link, state
from waykeeper.gaps import Worklist, worklist
from waykeeper.plan.model import Plan, State
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.terminal import terminal

DAY = date(2026, 6, 26)
CLOSED = {"closed_because": "seen at another hospital", "closed_by": "R. Alder", "closed_on": DAY}
LEFT = {"closed": CLOSED, "put off": {"snoozed_until": date(2026, 6, 30)}}
PARTS = {"closed": ("closed", "CLOSED BY A PERSON"), "put off": ("snoozed", "PUT OFF BY A PERSON")}


def left_alone(how: str, *seen: tuple[str, date, bool]) -> tuple[Worklist, Plan]:
    """The worklist of a patient whose three-month visit somebody left alone; what was `seen`, and whether linked."""
    made = ankle()
    found = [
        evidence(f"Appointment/{i}", status, day, link_to=link(made, "three-month") if linked else None)
        for i, (status, day, linked) in enumerate(seen, 1)
    ]
    return worklist([(made, state(visit__three_month=LEFT[how]))], found, DAY), made


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", "", page)).split())


def told(how: str, report: Worklist, made: Plan) -> tuple[str, str]:
    """What stands in the list of the rows left alone, on the page and in the terminal."""
    mark, head = PARTS[how]
    page = gaps_html(report, [made]).partition(f'<h2 id="{mark}">')[2].partition("</section>")[0]
    text = terminal(report).partition(f"{head}: 1\n")[2].partition("\n\n")[0]
    return words(page), " ".join(text.split())


@pytest.mark.parametrize("how", LEFT)
def test_a_guess_is_asked_about(how):
    report, made = left_alone(how, ("booked", date(2026, 7, 3), False))
    mine = next(r for r in report.rows if r.item == "visit/three-month")
    assert mine.guesses == ("Appointment/1",) and not mine.to_do
    for said, ask in zip(told(how, report, made), ("Ask:", "ask:"), strict=True):
        assert said.count("Appointment/1") == 1
        assert f"{ask} Appointment/1 (booked, Fri 2026-07-03) may be this visit" in said


@pytest.mark.parametrize("how", LEFT)
def test_a_booking_that_stands_outside_the_window_is_named_with_its_day(how):
    report, made = left_alone(how, ("noshow", date(2026, 6, 18), True), ("booked", date(2026, 7, 20), True))
    for said in told(how, report, made):
        assert "Booked for Mon 2026-07-20, after its window" in said
        assert said.count("Appointment/2") == 1
        assert "istory: did not come on Thu 2026-06-18" in said


def test_a_row_without_a_booking_stays_one_line():
    report, made = left_alone("closed")
    for said in told("closed", report, made):
        assert "seen at another hospital" in said
        assert "window" not in said and "Record" not in said and "evidence" not in said


def card(page: str) -> str:
    return page.partition('<article class="patient"')[2].partition("</article>")[0]


@pytest.mark.parametrize(("how", "said", "head"), [
    ("closed", "closed: seen at another hospital (R. Alder, Fri 2026-06-26)", "closed by a person: 1"),
    ("put off", "put off until Tue 2026-06-30", "put off: 1"),
])  # fmt: skip
def test_the_patients_own_part_says_that_a_row_is_left_alone_and_why(how, said, head):
    report, made = left_alone(how)
    mine = card(gaps_html(report, [made]))
    assert head in words(mine.partition("</header>")[0])
    rows = [r for r in mine.partition("<tbody>")[2].split("<tr>") if "Three-month visit" in r]
    assert [said in words(r) for r in rows] == [True]
    assert "■" not in rows[0]
    assert f"late, {how}" in mine  # the words of the picture
    assert 'class="graver">late' not in mine
    todo = [r for r in mine.partition("<tbody>")[2].split("<tr>") if "Six-week visit" in r]
    assert ["not held in time ■■■" in words(r) for r in todo] == [True]
    assert mine.index("Six-week visit <span") < mine.index("Three-month visit <span")


def test_a_row_that_is_to_do_is_not_left_alone():
    report = worklist([(ankle(), State())], (), DAY)
    page = gaps_html(report, [ankle()])
    assert "put off" not in card(page) and "closed" not in words(card(page)).replace("window closed", "")


def test_who_has_closed_a_row_without_name_or_day_is_said():
    made = ankle()
    known = state(visit__three_month={"closed_because": "moved away"})
    page = gaps_html(worklist([(made, known)], (), DAY), [made])
    assert "closed: moved away (nobody said who or when)" in words(card(page))


def test_a_patient_with_two_plans_is_one_patient():
    one = ankle()
    two = replace(one, episode=replace(one.episode, number=2))
    page = gaps_html(worklist([(one, State()), (two, State())], (), DAY), [one, two])
    assert page.count('<article class="patient"') == 2
    assert '<a href="#patients">Patients: 1</a>' in page
