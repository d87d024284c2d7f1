"""The pages in a real browser: they fit, fetch nothing, and the worklist's script does what its labels say."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from chromium import CHROMIUM
from report.builder import plan
from report.caseload import AS_OF, plans, report, states
from waykeeper.plan.model import State
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.letters import call_script_html, letter_html
from waykeeper.report.sheet import sheet_html

pytestmark = pytest.mark.browser
MADE, STATE = states(plans())[0]
PAGES = {
    "gaps": lambda: gaps_html(report(), plans()),
    "sheet": lambda: sheet_html(plan(), State(), as_of=date(2026, 3, 4), language="en", checked_against=None),
    "hoja": lambda: sheet_html(plan(), State(), as_of=date(2026, 3, 4), language="es", checked_against=None),
    "letter": lambda: letter_html(MADE, STATE, report().rows, as_of=AS_OF, language="en"),
    "call": lambda: call_script_html(MADE, STATE, report().rows, as_of=AS_OF),
}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-quic"]
        )
        yield opened
        opened.close()


@pytest.fixture(autouse=True)
def closed(browser: Any) -> Iterator[None]:
    """No page of a test is left open to work on behind the next."""
    yield
    for context in browser.contexts:
        context.close()


def show(browser: Any, folder: Path, name: str, width: int = 1280) -> tuple[Any, list[str]]:
    """The page, and everything it said on the console, threw, or asked the network for."""
    file = folder / f"{name}.html"
    file.write_text(PAGES[name](), "utf-8")
    page, said = browser.new_page(viewport={"width": width, "height": 900}), []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if not request.url.startswith("file:") else None)
    page.goto(file.as_uri())
    return page, said


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", sorted(PAGES))
def test_pages_fit_and_are_quiet(browser, tmp_path, name, width):
    page, said = show(browser, tmp_path, name, width)
    assert said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(
    ("opened", "said"),
    [
        ("2026-06-26T23:50:00", ""),
        ("2026-06-27T00:10:00", "it is 1 day old"),
        ("2026-07-17T09:00:00", "it is 21 days old"),
    ],
)
def test_a_worklist_that_is_opened_later_says_how_old_it_is(browser, tmp_path, opened, said):
    file = tmp_path / "gaps.html"
    file.write_text(PAGES["gaps"](), "utf-8")
    page = browser.new_context(timezone_id="America/Chicago").new_page()
    page.clock.set_fixed_time(f"{opened}-05:00")
    page.goto(file.as_uri())
    age = page.locator("#age")
    assert age.is_visible() == bool(said) and said in age.inner_text()


SHOWN = "#gaps > li:not([hidden]), .step:not([hidden])"


def visible(page: Any) -> int:
    return page.locator("#gaps > li:visible, .step:visible").count()


def test_the_worklist_filters_searches_sorts_and_resets(browser, tmp_path):
    page, said = show(browser, tmp_path, "gaps")
    gaps = report().gaps
    assert visible(page) == len(gaps)
    page.locator("[data-filter=verdict]").select_option("missed")
    assert visible(page) == sum(r.verdict == "missed" for r in gaps)
    assert page.locator("#count").inner_text().endswith("(filtered: the others are hidden)")
    page.get_by_role("button", name="Show all").click()
    page.wait_for_function(f"document.querySelectorAll({SHOWN!r}).length === {len(gaps)}")
    page.get_by_role("button", name="Act today").click()
    assert visible(page) == sum(r.severity == 3 for r in gaps)
    page.get_by_role("button", name="Act today").click()
    page.get_by_role("searchbox", name="Search").fill("calderon two-week")
    expected = [r for r in gaps if "Calderón" in r.patient and "Two-week" in r.title]
    assert visible(page) == len(expected) > 0
    page.get_by_role("searchbox", name="Search").fill("")
    page.locator("#sort").select_option("by")
    days = page.locator("#gaps > li").evaluate_all("rows => rows.map(r => r.dataset.by)")
    assert days == sorted(days)
    page.locator("#sort").select_option("order")
    order = page.locator("#gaps > li").evaluate_all("rows => rows.map(r => Number(r.dataset.order))")
    assert order == sorted(order)
    assert said == []


def test_names_can_be_hidden(browser, tmp_path):
    page, _ = show(browser, tmp_path, "gaps")
    assert page.get_by_text("Tobias Achterberg").first.is_visible()
    page.get_by_label("Hide names").check()
    assert not page.get_by_text("Tobias Achterberg").first.is_visible()
    assert page.get_by_text("T. A.").first.is_visible()


def test_the_keyboard_reaches_every_control(browser, tmp_path):
    page, _ = show(browser, tmp_path, "gaps")
    wanted = page.locator("a[href]:visible, button:visible, input:visible, select:visible, summary:visible").count()
    reached = set()
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("[...document.querySelectorAll('*')].indexOf(document.activeElement)"))
    assert len(reached) >= wanted


def test_the_list_reads_without_its_script(browser, tmp_path):
    file = tmp_path / "plain.html"
    file.write_text(PAGES["gaps"](), "utf-8")
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(file.as_uri())
    assert page.locator("#gaps > li, .step").count() == len(report().gaps)
    assert not page.locator("#tools").is_visible()


CONTRAST = """(spans, ink) => spans.map(span => {
  const part = v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const lum = c => { const [r, g, b] = c.map(v => part(v / 255));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const rgb = text => text.match(/[\\d.]+/g).map(Number);
  let on = span, back = [0, 0, 0, 0];
  while (on && back.length === 4 && back[3] === 0) {
    back = rgb(getComputedStyle(on).backgroundColor);
    on = on.parentElement;
  }
  if (back.length === 4 && back[3] === 0) back = [255, 255, 255];
  const [a, b] = [lum(rgb(getComputedStyle(span)[ink]).slice(0, 3)), lum(back.slice(0, 3))].sort((x, y) => y - x);
  return (a + 0.05) / (b + 0.05);
})"""


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", sorted(PAGES))
def test_axe_finds_nothing_and_what_it_cannot_judge_is_measured(browser, tmp_path, name, width):
    """Nothing is found. Of contrast axe-core leaves two things undecided, measured here: the squares of the
    severity, which are no letters (3 to 1, WCAG 2.1, 1.4.11; a word stands beside each), and the words inside the
    timeline's picture (4.5 to 1, 1.4.3)."""
    import axe_playwright_python as axe

    script = (Path(axe.__file__).parent / "axe.min.js").read_text("utf-8")
    file = tmp_path / f"{name}.html"
    file.write_text(PAGES[name](), "utf-8")
    page = browser.new_context(viewport={"width": width, "height": 900}, bypass_csp=True).new_page()
    page.goto(file.as_uri())
    page.evaluate(script)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations', 'incomplete']})")
    assert [(v["id"], v["impact"]) for v in found["violations"]] == []
    undecided = [(i["id"], n["any"][0]["data"]["messageKey"], n["target"][0].rpartition(" > ")[2])
                 for i in found["incomplete"] for n in i["nodes"]]  # fmt: skip
    assert {(rule, why) for rule, why, _ in undecided} <= {("color-contrast", "nonBmp"), ("color-contrast", "imgNode")}
    squares = page.locator("span[aria-hidden=true]:visible").evaluate_all(CONTRAST, "color")
    words = page.locator("svg text:visible").evaluate_all(CONTRAST, "fill")
    assert all(ratio >= 3 for ratio in squares)
    assert all(ratio >= 4.5 for ratio in words)
    assert len(undecided) <= len(squares) + 3 * len(words)


def test_the_list_can_be_worked_with_the_keyboard_alone(browser, tmp_path):
    """Skip to the list, press a severity, search, choose a filter, open a patient's verdicts, all by keys."""
    page, _ = show(browser, tmp_path, "gaps")
    gaps = report().gaps
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Go to the list"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "list"
    page.get_by_role("button", name="Act today").focus()
    page.keyboard.press("Space")
    assert visible(page) == sum(r.severity == 3 for r in gaps)
    page.keyboard.press("Space")
    page.locator("[data-filter=verdict]").focus()
    page.keyboard.type("not held")
    assert visible(page) == sum(r.verdict == "missed" for r in gaps)
    page.get_by_role("button", name="Show all").focus()
    page.keyboard.press("Enter")
    page.wait_for_function(f"document.querySelectorAll({SHOWN!r}).length === {len(gaps)}")
    page.get_by_role("searchbox", name="Search").focus()
    page.keyboard.type("calderon")
    assert visible(page) == sum("Calderón" in r.patient for r in gaps)
    summary = page.locator("article.patient summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("article.patient details").first.evaluate("d => d.open")


def test_one_patient_alone_on_screen_and_on_paper(browser, tmp_path):
    """From a row to everything about its patient, that patient alone (for the surgeon), and back to everybody."""
    page, said = show(browser, tmp_path, "gaps")
    gaps = report().gaps
    row = page.locator("#gaps > li:not([data-verdict='no-plan'])").first
    name, mine = row.locator(".name").inner_text(), row.get_attribute("data-patient")
    row.locator("h3 a").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.querySelector(':target').textContent").strip().startswith(name)
    page.locator(f"article.patient[data-patient='{mine}'] .only").first.click()
    assert visible(page) == sum(r.patient == name for r in gaps) > 0
    parts = page.locator("article.patient:visible")
    assert {one.get_attribute("data-patient") for one in parts.all()} == {mine}
    assert parts.first.locator("svg.timeline").is_visible()
    page.emulate_media(media="print")
    others = {r.patient for r in report().rows} - {name}
    text = page.locator("body").inner_text()
    assert name in text and not [other for other in others if other and other in text]
    page.emulate_media(media="screen")
    page.get_by_role("button", name="Show everybody").click()
    assert visible(page) == len(gaps)
    assert said == []
