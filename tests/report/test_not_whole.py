"""A list from which something is missing says so first, in every rendering that a person reads, and in JSON."""

from __future__ import annotations

import json
import re
from dataclasses import replace

from report.caseload import report
from waykeeper.gaps.filters import Filters, narrow
from waykeeper.report.gap_files import json_in_parts
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.not_whole import AT_MOST, NOT_COMPARED, NOT_WHOLE
from waykeeper.report.terminal import terminal

LACKING = ("bookings.csv:7:1: no status", "<b>plan</b> of Patient/1 is not in the list")


def plain(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def test_each_rendering_says_what_is_missing():
    made = replace(report(), lacking=LACKING)
    text, page = " ".join(terminal(made).split()), gaps_html(made)
    assert text.index(NOT_WHOLE.upper()) < text.index("(severity 3)")
    assert page.index(NOT_WHOLE) < page.index('id="list"')
    assert all(one in text for one in LACKING)
    assert "<b>plan</b>" not in page  # what was read is text, whatever it holds
    assert "bookings.csv:7:1: no status" in plain(page)
    assert "&lt;b&gt;plan&lt;/b&gt; of Patient/1 is not in the list" in plain(page)
    assert json.loads("".join(json_in_parts(made)))["lacking"] == list(LACKING)


def test_what_of_a_theatre_list_was_not_compared_has_a_note_of_its_own():
    """An hour that is not known yet takes nothing away: the list is whole, and nobody waits for another."""
    made = replace(report(), unlike=("hours that cannot be read are not compared: 'TBC'",))
    text, page = " ".join(terminal(made).split()), plain(gaps_html(made))
    for shown in (text, page):
        assert "hours that cannot be read are not compared: 'TBC'" in shown.replace("&#39;", "'")
        assert NOT_WHOLE.lower() not in shown.lower()
    assert NOT_COMPARED in page and NOT_COMPARED.upper() in text
    assert json.loads("".join(json_in_parts(made)))["unlike"] == list(made.unlike)


def test_a_narrowed_list_says_it_too():
    made = narrow(replace(report(), lacking=LACKING), Filters(phase="recovery"))
    assert NOT_WHOLE.upper() in terminal(made)
    assert NOT_WHOLE in gaps_html(made)


def test_a_whole_list_says_nothing_of_the_kind():
    made = report()
    assert NOT_WHOLE.upper() not in terminal(made)
    assert NOT_WHOLE not in gaps_html(made)
    assert "lacking" not in json.loads("".join(json_in_parts(made)))


def test_of_many_the_first_are_shown_and_the_others_counted():
    made = replace(report(), lacking=tuple(f"line {number}" for number in range(AT_MOST + 3)))
    for shown in (terminal(made), plain(gaps_html(made))):
        assert f"line {AT_MOST - 1}" in shown and f"line {AT_MOST}" not in shown
        assert "and 3 more" in shown
