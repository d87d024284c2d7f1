"""The worklist page: one file, a strict policy, every gap, names hidden by choice."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from html import unescape

import pytest

from report.caseload import plans, report
from report.test_sheet import HOSTILE, Page
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.page import dated


def html(**options: object) -> str:
    return gaps_html(report(), plans(), **options)  # type: ignore[arg-type]


def test_the_policy_allows_exactly_the_style_and_script_of_the_page():
    page = html()
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1).replace("&#39;", "'")
    for tag, source in (("style", "style-src"), ("script", "script-src")):
        found = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.S)
        assert len(found) == 1
        digest = base64.b64encode(hashlib.sha256(found[0].encode()).digest()).decode()
        assert f"{source} 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy


def test_nothing_is_fetched_and_nothing_runs_inline():
    page = html()
    bare = re.sub(r"<(style|script)>.*?</\1>", "", page, flags=re.S)
    assert not re.search(r"\s(src|srcset|style|on\w+)\s*=", bare)
    assert set(re.findall(r'href="([^"#]*)', bare)) == {""}
    assert "url(" not in page
    assert "@import" not in page


def test_every_gap_is_on_the_page_in_the_contract_s_order():
    made, page = report(), html()
    assert [int(n) for n in re.findall(r'data-order="(\d+)"', page)] == list(range(len(made.gaps)))
    verdicts = re.findall(r'data-order="\d+" data-severity="(\d)" data-verdict="([\w-]+)"', page)
    assert verdicts == [(str(r.severity), r.verdict) for r in made.gaps]
    words = Page(page).words
    for row in made.gaps:
        assert " ".join(row.next_action.split()) in words
        assert " ".join(row.reason.split()) in words


def test_every_row_is_listed_or_counted_for_its_patient():
    made, page = report(), html()
    said = re.findall(r"\((\d+ listed[^)]*)\)", unescape(page))
    total = sum(int(number) for part in said for number in re.findall(r"\d+", part))
    assert total == len(made.rows)


def test_severity_is_a_word_and_a_shape():
    page = html()
    assert page.count('<span aria-hidden="true">■■■</span> Act today') >= 1
    assert page.count('<span aria-hidden="true">■□□</span> A step waits') >= 1


def test_hidden_names_are_not_in_the_file():
    page = html(names="hidden")
    for made in plans():
        for part in made.patient.name.split():
            assert len(part) < 4 or part not in page
    assert "M. O." in page
    assert "hide-names" not in re.sub(r"<script>.*?</script>", "", page, flags=re.S)
    assert "dermatology" not in page.split("Appointments that fit")[-1].split("<h2")[0]


def test_shown_names_can_be_hidden_by_the_reader():
    page = html()
    assert 'id="hide-names"' in page
    assert '<span class="name">Maren Okafor-Lindqvist</span><span class="initials">M. O.</span>' in page


def test_each_timeline_has_words():
    page = html()
    pictures = re.findall(r'<svg class="timeline"[^>]*aria-labelledby="([^"]+)"', page)
    assert len(pictures) == 6
    for ids in pictures:
        assert all(f'id="{one}"' in page for one in ids.split())
    assert "Six-week visit: missed; window Wed 2026-04-22 to Wed 2026-05-06" in page


def test_who_must_not_be_contacted_is_marked():
    page = html()
    card = next(c for c in page.split("<article") if "Piet van der Zwaluw" in c)
    assert "Do not contact" in card


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_stays_text(text):
    made = report()
    rows = tuple(replace(r, patient=text, title=text, reason=text, next_action=text, owner=text, surgeon=text)
                 for r in made.rows)  # fmt: skip
    some = [replace(p, letterhead=replace(p.letterhead, clinic=text)) for p in plans()]
    page = Page(gaps_html(replace(made, rows=rows), some, checked_against=text))
    assert page.tags.count("script") == 1
    assert page.tags.count("img") == 0
    assert page.tags.count("style") == 1


def test_dates_keep_together_and_text_stays_escaped():
    assert dated("by Fri 2026-06-26 <b>") == 'by <span class="d">Fri 2026-06-26</span> &lt;b&gt;'


def test_an_empty_day_is_said():
    assert "No gap on this day." in gaps_html(replace(report(), rows=(), appointments=()))
