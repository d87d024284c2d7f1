"""One patient alone, on screen and on paper: everything of hers, and nobody else's name, total or booking."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from gaps.plans import ankle, evidence, link
from report.test_pages_in_browser import browser, closed  # noqa: F401 - the fixtures
from waykeeper.gaps import Worklist, worklist
from waykeeper.plan.model import Contact, Evidence, Identifier, ItemState, Key, Plan, State
from waykeeper.report.gaps_page import gaps_html

pytestmark = pytest.mark.browser
DAY = date(2026, 6, 26)
NAMES = ("Ada Quill", "Bea Moss", "Cy Fenn", "Dee Ward")
PARTS = {
    "lost": "Lost to follow-up", "snoozed": "Put off by a person", "closed": "Closed by a person",
    "unplanned": "fit no planned visit", "duplicates": "Second bookings",
    "maybe": "may be a planned visit",
}  # fmt: skip


def someone(number: int, name: str) -> Plan:
    made = ankle()
    who = Identifier("https://alder-quay.example/patients", str(1000 + number))
    patient = replace(made.patient, identifier=who, name=name)
    return replace(made, patient=patient, episode=replace(made.episode, patient=who))


def known() -> State:
    """A wound check closed, a six-week visit for which nobody was reached, a twelve-month visit that is put off."""
    tried = tuple(
        Contact(date(2026, 6, d), route, False) for d, route in ((2, "telephone"), (9, "letter"), (16, "sms"))
    )
    reason = {"closed_because": "healed, seen at home", "closed_by": "R. Alder", "closed_on": date(2026, 6, 20)}
    states = (
        ItemState(Key("visit", "two-week"), **reason),
        ItemState(Key("visit", "six-week"), contacts=tried),
        ItemState(Key("visit", "six-month"), snoozed_until=date(2026, 7, 30)),
    )
    return State({one.key: one for one in states})


def seen(of: Plan) -> list[Evidence]:
    """One end in the future, one booking too many, one that is nobody's visit, one that may be the last visit."""
    who = of.patient.identifier.value

    def one(name: str, status: str, day: date, visit: str = "") -> Evidence:
        linked = link(of, visit) if visit else None
        return evidence(f"Appointment/{name}-{who}", status, day, link_to=linked, patient=who)

    stranger = replace(one("mole", "booked", date(2026, 9, 2)), text="dermatology", specialties=("x|derma",))
    return [
        one("ahead", "fulfilled", date(2026, 6, 30), "three-month"),
        one("first", "booked", date(2026, 10, 25), "six-month"),
        one("second", "booked", date(2026, 10, 28), "six-month"),
        stranger,
        replace(one("maybe", "booked", date(2027, 3, 18)), text="follow-up"),
    ]


def caseload() -> tuple[Worklist, list[Plan]]:
    made = [someone(number, name) for number, name in enumerate(NAMES, 1)]
    return worklist([(p, known()) for p in made], [e for p in made for e in seen(p)], DAY), made


@pytest.fixture
def page(browser, tmp_path):  # noqa: F811 - the fixture
    file = tmp_path / "alone.html"
    file.write_text(gaps_html(*caseload()), "utf-8")
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    opened.goto(file.as_uri())
    return opened


def alone(page, name):
    page.locator("article.patient", has_text=name).locator(".only").click()


def test_the_caseload_has_a_line_for_each_patient_in_every_part(page):
    for part in PARTS:
        lines = page.locator(f"section[aria-labelledby={part}] > ul > li").all_inner_texts()
        counts = {sum(name in text for text in lines) for name in NAMES}
        assert counts == {len(lines) / len(NAMES)} and len(lines) >= len(NAMES), part
    assert page.locator(".doubt li").count() == 4


@pytest.mark.parametrize("media", ["screen", "print"])
@pytest.mark.parametrize("name", NAMES[:2])
def test_all_of_hers_and_nobody_elses(page, media, name):
    everything = page.locator(".meta").first.inner_text()
    alone(page, name)
    page.emulate_media(media=media)
    text = page.locator("body").inner_text()
    assert [other for other in NAMES if other in text] == [name]
    for part, title in PARTS.items():
        section = page.locator(f"section[aria-labelledby={part}]")
        assert title in section.inner_text()
        assert section.locator("li:visible").count() == section.locator("li").count() / len(NAMES)
    assert "Check the day of this list." in text
    assert "Of these entries only those of one patient are shown." in text
    assert page.locator(".doubt li:visible").count() == 1
    assert "planned items" in everything and "planned items" not in text
    mine = sum(row.patient == name for row in caseload()[0].gaps)
    assert f"{mine} of {mine} shown" in text and "filtered" not in text


def test_everybody_comes_back(page):
    before = page.locator("body").inner_text()
    assert "Of these entries only those of one patient" not in before
    alone(page, "Cy Fenn")
    page.get_by_role("button", name="Show everybody").click()
    assert page.locator("body").inner_text() == before


def test_a_part_in_which_the_patient_has_nothing_is_not_shown(browser, tmp_path):  # noqa: F811
    made = [someone(number, name) for number, name in enumerate(NAMES[:2], 1)]
    report = worklist([(made[0], known()), (made[1], State())], seen(made[0]), DAY)
    file = tmp_path / "two.html"
    file.write_text(gaps_html(report, made), "utf-8")
    opened = browser.new_page()
    opened.goto(file.as_uri())
    alone(opened, NAMES[1])
    for part in PARTS:
        assert not opened.locator(f"section[aria-labelledby={part}]").is_visible()
    assert opened.locator("#list").is_visible() and opened.locator("#patients").is_visible()


@pytest.mark.parametrize("length", [40, 60, 120])
def test_a_name_without_a_space_does_not_widen_the_page(browser, tmp_path, length):  # noqa: F811
    made = [someone(1, ("Wolfeschlegelsteinhausenbergerdorff" * 4)[:length])]
    file = tmp_path / "long.html"
    file.write_text(gaps_html(worklist([(p, known()) for p in made], seen(made[0]), DAY), made), "utf-8")
    opened = browser.new_page(viewport={"width": 400, "height": 800})
    opened.goto(file.as_uri())
    assert opened.evaluate("document.documentElement.scrollWidth") <= 400
    alone(opened, "Wolfeschlegel")
    assert opened.evaluate("document.documentElement.scrollWidth") <= 400
