"""The pages in a real browser: they fit, fetch nothing, and the worklist's script does what its labels say."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from report.builder import plan
from report.caseload import AS_OF, plans, report, states
from waykeeper.plan.model import State
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.letters import call_script_html, letter_html
from waykeeper.report.sheet import sheet_html

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here: the pages were not opened"),
]
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


def visible(page: Any) -> int:
    return page.locator("#gaps > li:visible").count()


def test_the_worklist_filters_searches_sorts_and_resets(browser, tmp_path):
    page, said = show(browser, tmp_path, "gaps")
    gaps = report().gaps
    assert visible(page) == len(gaps)
    page.locator("[data-filter=verdict]").select_option("missed")
    assert visible(page) == sum(r.verdict == "missed" for r in gaps)
    assert page.locator("#count").inner_text().endswith("(filtered: the others are hidden)")
    page.get_by_role("button", name="Show all").click()
    page.wait_for_function(f"document.querySelectorAll('#gaps > li:not([hidden])').length === {len(gaps)}")
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
    assert page.locator("#gaps > li").count() == len(report().gaps)
    assert not page.locator("#tools").is_visible()
