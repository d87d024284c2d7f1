"""What one call settles stands together; each gap stands there once, whatever it belongs with."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from report.caseload import AS_OF, plans, report
from waykeeper.report.blocks import AS_ABOVE, blocks, has_time, same_step
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.terminal import terminal

ROW = report().gaps[0]
made = st.builds(
    lambda who, item, severity, group, first, by: replace(
        ROW, patient=who, identifier=who, item=f"task/{item}", kind="task", title=item, severity=severity,
        together=group, first=first, by=by, surgery=date(2026, 8, 1), window_end=date(2026, 7, 30), since=None,
    ),
    st.sampled_from("AB"), st.sampled_from("pqrst"), st.integers(1, 3), st.sampled_from(["", "", "g", "h"]),
    st.sampled_from([False, False, False, True]), st.sampled_from([None, AS_OF, AS_OF + timedelta(days=8)]),
)  # fmt: skip
rows = st.lists(made, max_size=12).map(
    lambda found: sorted({r.name: r for r in found}.values(), key=lambda r: (not r.first, -r.severity))
)


@given(rows)
def test_each_row_stands_in_one_block_of_its_own_operation(found):
    placed = blocks(found, AS_OF)
    assert sorted(r.name for block in placed for r in block) == sorted(r.name for r in found)
    assert all(len({r.identifier for r in block}) == 1 for block in placed)
    together = [{r.together for r in block} - {""} for block in placed]
    for row in found:
        same = [t for t in together if row.together in t] if row.together else []
        assert all(row.together in names for names in same)


@given(rows)
def test_no_row_stands_below_one_of_less_severity_that_is_not_its_own(found):
    """The gravest of each block goes down; what is less grave may only go up, to what it hangs on."""
    worst = [max(r.severity for r in block) for block in blocks(found, AS_OF) if not block[0].first]
    assert worst == sorted(worst, reverse=True)
    first = [block[0].first for block in blocks(found, AS_OF)]
    assert first == sorted(first, reverse=True)


def four():
    about = {"patient": "Ada Quill", "identifier": "x|1", "surgery": date(2026, 7, 1), "since": None, "questions": ()}
    visit = replace(ROW, kind="visit", item="visit/six-week", title="Six-week visit", verdict="missed", severity=3,
                    next_action="Call.", together="visit/six-week", **about)  # fmt: skip
    gate = replace(visit, kind="gate", item="gate/driving", title="May drive", verdict="shut", next_action="Get it.")
    other = replace(gate, item="gate/aid", title="May walk")
    ends = replace(gate, kind="restriction", item="restriction/x", title="No driving", verdict="release-due",
                   severity=1, next_action="Ask.")  # fmt: skip
    return visit, gate, other, ends


def test_each_row_names_its_patient_and_the_same_step_is_told_once():
    visit, gate, other, ends = four()
    stranger = replace(visit, identifier="x|2", patient="Bo Reed", together="")
    made = replace(report(), rows=(visit, stranger, gate, other, ends))
    assert blocks(made.gaps, AS_OF) == [(visit, gate, other, ends), (stranger,)]
    text = terminal(made)
    assert "ACT TODAY (severity 3): 4\n" in text
    assert "A STEP WAITS (severity 1): 1; 1 of them above, with what they hang on\n" in text
    assert text.count("Ada Quill") == 4  # a long block scrolls: no row without its patient
    assert "also Ada Quill | No driving | release-due (a step waits)" in text
    assert text.count("Get it.") == text.count(AS_ABOVE) == 1
    page = gaps_html(made, plans())
    assert page.count('class="gap ') == 5
    assert page.count(' more" data-more') + page.count(' more again" data-more') == 3
    assert page.count("Get it.") >= 2  # on the page both have it, for whoever sorts or filters


def test_two_medicines_are_never_read_across():
    hold = replace(ROW, kind="hold")
    assert same_step(replace(hold, kind="task"), replace(hold, kind="task"))
    assert not same_step(hold, hold)
    of_one_gate = replace(hold, together="gate/ready")
    assert not same_step(of_one_gate, of_one_gate)
    ended = replace(hold, kind="medicine", ended=True)
    assert same_step(ended, ended)
    assert not same_step(ended, hold) and not same_step(hold, ended)
    assert not same_step(replace(hold, kind="task"), None)
    assert not same_step(replace(hold, kind="task"), replace(hold, kind="task", who="surgeon"))


def test_a_step_with_more_than_a_week_left_comes_last_and_says_so():
    about = {
        "kind": "task",
        "verdict": "due",
        "severity": 1,
        "first": False,
        "together": "",
        "surgery": date(2026, 8, 1),
    }
    far = replace(ROW, item="task/far", title="Far", by=AS_OF + timedelta(days=8), **about)
    near = replace(far, item="task/near", title="Near", by=AS_OF + timedelta(days=7))
    slot = replace(far, kind="visit", item="visit/slot", title="Slot", verdict="to-book")
    held = replace(far, item="task/held", title="Held", together="gate/x")
    assert [has_time(r, AS_OF) for r in (far, near, slot, held)] == [True, False, False, False]
    made = replace(report(), rows=(far, near, slot, held))
    assert blocks(made.gaps, AS_OF) == [(near, slot, held), (far,)]
    text = terminal(made)
    assert "A STEP WAITS (severity 1): 4\n" in text
    assert text.index("| Held") < text.index("MORE THAN A WEEK LEFT (of severity 1): 1\n") < text.index("| Far")
    page = gaps_html(made, plans())
    assert page.count('class="gap ') == 4
    assert page.index('class="item">Near') < page.index('class="item">Held') < page.index('class="item">Far')


def test_what_is_put_off_or_closed_draws_nothing_with_it():
    visit, gate, other, ends = four()
    made = replace(report(), rows=(replace(visit, snoozed=True), gate, other, ends))
    text = terminal(made)
    assert "1. Ada Quill (1) | May drive | shut" in text
    assert "PUT OFF BY A PERSON: 1" in text
