"""The worklist page: one file, a strict policy, every gap, names hidden by choice."""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from dataclasses import replace
from datetime import timedelta
from html import unescape

import pytest

from report.caseload import plans, report
from report.test_sheet import HOSTILE, Page
from waykeeper.gaps.model import Placement
from waykeeper.gaps.words import table
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.page import dated
from waykeeper.report.shown import WORDS, is_over, shown
from waykeeper.report.terminal import terminal


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
    found = re.findall(r'data-order="(\d+)" data-severity="(\d)" data-verdict="([\w-]+)"', page)
    assert sorted(int(n) for n, _, _ in found) == list(range(len(made.gaps)))
    assert Counter((s, v) for _, s, v in found) == Counter((str(r.severity), r.verdict) for r in made.gaps)
    listed = re.findall(r'class="gap [^>]*data-order="(\d+)" data-severity="(\d)"', page)
    assert [int(n) for n, _ in listed] == sorted(int(n) for n, _ in listed)
    assert [s for _, s in listed] == sorted((s for _, s in listed), reverse=True)
    words = Page(page).words
    for row in made.gaps:
        assert " ".join(row.next_action.split()) in words
        assert " ".join(row.reason.split()) in words


def test_steps_of_an_operation_that_is_over_stand_together_and_apart():
    made, page = report(), html()
    over = [r for r in made.gaps if is_over(r, made.as_of)]
    assert over
    before, _, after = page.partition('<h2 id="over">')
    assert after.count('class="step ') == len(over)
    assert before.count('class="gap ') == len(made.gaps) - len(over)
    for patient in {r.patient for r in over}:
        count = sum(r.patient == patient for r in over)
        group = next(g for g in after.split("<article")[1:] if patient in g)
        assert f"Steps of an operation that is over: {count} " in group


def test_a_step_is_over_only_after_a_surgery_that_it_served():
    row = next(r for r in report().gaps if is_over(r, report().as_of))
    assert row.surgery is not None
    assert not is_over(row, row.surgery)
    assert not is_over(replace(row, kind="hold"), report().as_of)
    assert not is_over(replace(row, kind="question"), report().as_of)
    assert not is_over(replace(row, surgery=None), report().as_of)


def ahead(number: int, status: str = "noshow") -> Placement:
    return Placement(
        f"Appointment/ahead-{number}", "appointment", "review", "Maren", "x|1", status,
        report().as_of + timedelta(days=number),
    )  # fmt: skip


@pytest.mark.parametrize(("count", "status", "told"), [(3, "noshow", True), (3, "fulfilled", True),
                                                       (2, "noshow", False), (3, "booked", False)])  # fmt: skip
def test_many_ends_in_the_future_put_the_day_in_doubt_once(count, status, told):
    made = replace(report(), appointments=tuple(ahead(n, status) for n in range(1, count + 1)))
    assert gaps_html(made, plans()).count("Check the day of this list.") == int(told)
    assert terminal(made).count("CHECK THE DAY OF THIS LIST") == int(told)


def test_words_of_the_trade_are_shown_and_the_contract_s_are_in_the_key():
    page = html()
    assert '<span class="verdict">not held in time</span>' in page
    assert 'not held in time = <span class="ref">missed</span>' in page
    assert not re.search(r'<span class="verdict">(shut|release-due|in-force|needs-review|unconfirmed)<', page)


def test_no_two_words_of_the_contract_are_shown_alike():
    words = {e.get("word", n) for rows in table().values() for n, e in rows.items() if isinstance(e, dict)}
    assert set(WORDS) <= words
    assert len({shown(w) for w in words}) == len(words)


def test_a_patient_is_known_by_birth_date_side_and_number_unless_names_are_hidden():
    one = plans()[0]
    called = {"telecom": [{"system": "email", "value": "m@x"}, {"system": "phone", "value": "555 0142"}]}
    some = [replace(one, side="left", source_patient=called)]
    page = gaps_html(report(), some)
    assert 'born <span class="d">1958-11-02</span> · tel. 555 0142 · left' in page
    bare = gaps_html(report(), some, names="hidden")
    assert "1958-11-02" not in bare
    assert "555 0142" not in bare


def test_a_narrowed_list_says_how_many_it_leaves_out():
    made = report()
    some = replace(made, rows=made.rows[:5], asked={"phase": "x"}, of_gaps=len(made.gaps))
    assert f"{len(made.gaps) - len(some.gaps)} left out by this filter" in gaps_html(some, plans())


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
