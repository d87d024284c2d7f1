"""The worklist page: one file, a strict policy, every gap, names hidden by choice."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from html import unescape

import pytest

from gaps.plans import ankle
from report.caseload import plans, report
from report.test_sheet import HOSTILE, Page
from waykeeper.gaps import worklist
from waykeeper.gaps.filters import Filters, narrow
from waykeeper.gaps.model import Placement, Row
from waykeeper.gaps.words import table
from waykeeper.plan.model import Item, ItemState, Key, State
from waykeeper.report.gap_files import json_in_parts
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.page import dated
from waykeeper.report.shown import (
    WORDS,
    entry_ahead,
    history,
    is_over,
    order_of_all,
    owner_line,
    shown,
    silence,
    titles_of,
)
from waykeeper.report.terminal import terminal
from waykeeper.timing.model import Dates, Moment


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
        assert "Act today" not in group
        assert group.count("Record only") == group.count("Done on ____") == count
        assert f"only to record or close: {count}" in next(g for g in page.split('class="patient"')[1:] if patient in g)


def test_each_order_above_steps_that_are_over_is_the_head_of_their_table():
    """A browser prints the head of a table again on each sheet that the table runs to."""
    after = html().partition('<h2 id="over">')[2].partition("</section>")[0]
    tables = after.split("<table")[1:]
    assert tables
    for one in tables:
        head = one.partition("</thead>")[0]
        assert 'class="do"' in head
        assert 'class="whose"' in head
        assert one.count('class="do"') == 1


def test_the_severities_count_what_is_still_to_be_done():
    made, page = report(), html()
    for severity in (3, 2, 1):
        count = sum(r.severity == severity and not is_over(r, made.as_of) for r in made.gaps)
        assert f'data-severity="{severity}" aria-pressed="false" disabled><b>{count}</b>' in page
    over = sum(is_over(r, made.as_of) for r in made.gaps)
    assert f'data-severity="over" aria-pressed="false" disabled><b>{over}</b>' in page


def test_a_step_is_over_only_after_a_surgery_that_it_served():
    row = next(r for r in report().gaps if is_over(r, report().as_of))
    assert row.surgery is not None
    assert not is_over(row, row.surgery)
    assert not is_over(replace(row, kind="hold"), report().as_of)
    assert not is_over(replace(row, kind="question"), report().as_of)
    assert not is_over(replace(row, surgery=None), report().as_of)


@pytest.mark.parametrize(("word", "over"), [("missed", True), ("unconfirmed", True), ("booked-late", False)])
def test_a_visit_of_before_a_surgery_that_is_over_is_only_to_be_recorded_unless_it_is_still_booked(word, over):
    """Whether somebody came to the class in winter stood among what is to be done today."""
    row = next(r for r in report().gaps if is_over(r, report().as_of))
    assert is_over(replace(row, kind="visit", verdict=word), report().as_of) is over
    assert row.surgery is not None
    after = replace(row, kind="visit", verdict=word, window_end=row.surgery + timedelta(days=1))
    assert not is_over(after, report().as_of)


def goal(state: ItemState | None, as_of: date, due: date = date(2026, 3, 19)) -> Row:
    """The row of a goal that was to be met before going home, surgery Wed 2026-03-18."""
    key = Key("goal", "eats")
    made = Item(key, "Eats and drinks", who="nurse", dates=Dates(Moment(due), Moment(due)))
    plan = replace(ankle(), items=(*ankle().items, made))
    report = worklist([(plan, State({key: state} if state else {}))], [], as_of)
    return next(row for row in report.rows if row.item == str(key))


@pytest.mark.parametrize(
    ("as_of", "due", "over"),
    [
        (date(2026, 3, 21), date(2026, 3, 19), False),  # at home for two days: somebody asks at the first call
        (date(2026, 4, 8), date(2026, 3, 19), False),
        (date(2026, 4, 9), date(2026, 3, 19), True),  # the wound was seen, and the patient with it
        (date(2026, 7, 1), date(2026, 3, 26), False),  # a stay of more than a week
        (date(2026, 7, 1), date(2026, 6, 18), False),  # no goal of the stay
    ],
)
def test_a_goal_of_the_hospital_stay_that_nobody_recorded_is_only_to_be_recorded_later_on(as_of, due, over):
    """Four rows a patient, for a year, of what wards write elsewhere stood among the steps that wait."""
    row = goal(None, as_of, due)
    assert (row.verdict, row.severity, row.gap) == ("not-met", 1, True)
    assert is_over(row, as_of) is over


def test_a_goal_that_was_recorded_as_not_met_is_looked_into_however_long_ago():
    state = ItemState(Key("goal", "eats"), "completed", "done", achieved="not-achieved", done_on=date(2026, 3, 20))
    row = goal(state, date(2026, 7, 1))
    assert row.verdict == "not-met" and not is_over(row, date(2026, 7, 1))


def ahead(number: int, status: str = "noshow") -> Placement:
    return Placement(
        f"Appointment/ahead-{number}", "appointment", "review", "Maren", "x|1", status,
        report().as_of + timedelta(days=number),
    )  # fmt: skip


@pytest.mark.parametrize(("count", "status", "told"), [(3, "noshow", True), (3, "fulfilled", True),
                                                       (2, "noshow", False), (3, "booked", False)])  # fmt: skip
def test_many_ends_in_the_future_put_the_day_in_doubt_once(count, status, told):
    made = replace(report(), appointments=tuple(ahead(n, status) for n in range(1, count + 1)))
    page, text = gaps_html(made, plans()), " ".join(terminal(made).split())
    assert page.count("Check the day of this list.") == int(told)
    assert text.count("CHECK THE DAY OF THIS LIST") == int(told)
    for said in (unescape(re.sub(r"<[^>]+>", "", page)), text):
        assert ("If today is not Fri 2026-06-26, stop and print the list again" in said) == told
        assert (f"ask the booking office about these {count} entries" in said) == told
    word = "not attended" if status == "noshow" else "finished"
    assert (f"Maren (1) | Sat 2026-06-27 {word} (fits no planned visit) | Appointment/ahead-1" in text) == told


def test_an_entry_ahead_is_named_by_where_it_stands_and_hides_its_patient():
    row = next(r for r in report().rows if r.kind == "visit")
    entry = replace(ahead(1), patient=row.patient, identifier=row.identifier, items=(row.item,))
    made = replace(report(), appointments=(entry,) * 3)
    assert entry_ahead(entry, titles_of(made)) == f"Sat 2026-06-27 not attended ({row.title})"
    bare = gaps_html(made, plans(), names="hidden").partition('class="doubt"')[2].partition("</div>")[0]
    assert f"({row.title})" in bare
    assert row.patient not in bare


@pytest.mark.parametrize(("marked", "said"), [(0, ""), (6, "Test data, not real patients."),
                                              (2, "Of 6 plans 2 are test data, not of real patients.")])  # fmt: skip
def test_invented_patients_are_said_to_be(marked, said):
    some = [replace(p, patient=replace(p.patient, test_data=i < marked)) for i, p in enumerate(plans())]
    page = gaps_html(report(), some)
    assert ("test data" in page.lower()) == bool(said)
    assert said in page


@pytest.mark.parametrize(
    ("kind", "who", "owner", "said"),
    [
        ("hold", "prescriber", "", "you ask, the prescriber decides"),
        ("medicine", "prescriber", "", "you ask, the prescriber decides"),
        ("restriction", "surgeon", "", "you ask, the surgeon decides"),
        ("gate", "anaesthesia", "", "you ask, the anaesthetist decides"),
        ("gate", "coordinator", "", "coordinator"),
        ("task", "surgeon", "", "surgeon"),
        ("hold", "prescriber", "R. Alderman", "R. Alderman"),
    ],
)
def test_who_decides_is_asked_by_the_reader(kind, who, owner, said):
    row = replace(report().gaps[0], kind=kind, who=who, owner=owner)
    assert owner_line(row) == said
    one = replace(report(), rows=(row,))
    assert f"<b>{said}</b>" in gaps_html(one, plans())
    assert f"({said}, by" in " ".join(terminal(one).split())
    assert json.loads("".join(json_in_parts(one)))["rows"][0]["who"] == who


def test_steps_that_ask_first_share_one_order():
    """The question of each stands in its own reason, so that one order need not be printed for each of them."""
    done = "It is too late to do it now."
    ask = "First find out whether it applies: {} If no, close it. If yes, or if nobody knows: " + done
    rows = [replace(report().gaps[0], next_action=ask.format(q)) for q in ("Any card?", "lives alone.")]
    assert order_of_all(rows[0]) == order_of_all(rows[1]) == ask.format("the question stands with each step.")
    assert order_of_all(replace(rows[0], next_action=done)) == done


def test_history_is_told_where_the_reason_does_not_tell_it():
    row = replace(report().gaps[0], reason="It was cancelled on Monday.", history=("cancelled on Monday", "late once"))
    assert history(row) == ("late once",)
    assert row.history == ("cancelled on Monday", "late once")


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
    assert 'born <span class="d">1958-11-02</span> · <span class="d">tel. 555 0142</span>' in page
    assert '<span class="operation">ankle, <b>left</b></span>' in page
    bare = gaps_html(report(), some, names="hidden")
    assert "1958-11-02" not in bare
    assert "555 0142" not in bare


@pytest.mark.parametrize(
    "telecom",
    [
        [{"system": "phone", "value": "555 0100", "use": "old"}, {"system": "phone", "value": "555 0142"}],
        [{"system": "phone", "value": "555 0100", "period": {"end": "2025"}}, {"system": "sms", "value": "555 0142"}],
        [{"system": "phone", "value": "555 0100"}, {"system": "phone", "value": "555 0142", "rank": 1}],
        [{"system": "phone", "value": "555 0100", "use": "work"}, {"system": "phone", "value": "555 0142"}],
        [{"system": "fax", "value": "555 0100"}, {"system": "phone", "value": "555 0142", "period": {"end": "2026"}}],
    ],
)
def test_the_number_that_is_hers_today_and_is_to_be_tried_first(telecom):
    """FHIR R4 ContactPoint: use `old` and a period that is over are no number any more; rank 1 goes first."""
    page = gaps_html(report(), [replace(plans()[0], source_patient={"telecom": telecom})])
    assert "tel. 555 0142" in page
    assert "555 0100" not in page


def test_a_narrowed_list_says_how_many_it_leaves_out():
    made = report()
    phase = next(r.phase for r in made.gaps if r.phase)
    some = narrow(made, Filters(phase=phase))
    left = Counter(r.severity for r in made.gaps if r.phase != phase)
    assert left[3] and left[2]
    said = f"{left.total()} left out by this filter (act today {left[3]}, at risk {left[2]}"
    assert said in gaps_html(some, plans())
    assert f"left out: act today {left[3]}, at risk {left[2]}" in " ".join(terminal(some).split())


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


def test_hidden_names_are_not_in_what_others_wrote():
    made = report()
    said = "Follow-up for Maren Okafor-Lindqvist (OKAFOR-LINDQVIST, Maren) on Wed 2026-06-24"
    row = replace(
        made.gaps[0], patient="Maren Okafor-Lindqvist", reason=said, next_action=said, owner=said,
        questions=(said,), guesses=(said,), history=(said,),
    )  # fmt: skip
    page = gaps_html(replace(made, rows=(row,), appointments=()), (), names="hidden")
    assert not re.search("maren|okafor|lindqvist", page, re.I)
    assert "Follow-up for M. O.-L. (O.-L., M.) on Wed" in unescape(page)


def test_a_name_like_a_weekday_leaves_the_dates_whole():
    made = report()
    row = replace(made.gaps[0], patient="Wei Sun", reason="Booked for Sun 2026-06-21 (Sun, Wei).")
    page = gaps_html(replace(made, rows=(row,), appointments=()), (), names="hidden")
    assert "Booked for Sun 2026-06-21 (S., W.)." in unescape(re.sub("<[^>]+>", "", page))


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


def test_no_name_turns_the_date_behind_it():
    """Unicode standard annex 9: after an override that is not closed a browser shows 26-06-2026 the other way round."""
    made = report()
    name = "Maren\u202e \u2066\x1b[2J\x9b31m\x00\u200fW"
    rows = tuple(replace(r, patient=name, title=name, reason=f"{name} 2026-06-26\nnext") for r in made.rows)
    page = gaps_html(replace(made, rows=rows), plans())
    assert "Maren [2J31mW" in page and not re.search("[\u202a-\u202e\u2066-\u2069\u200e\u200f\x1b\x9b\x00]", page)
    assert "\nnext" in page, "line breaks stay"


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


def test_who_stopped_a_medicine_for_a_withdrawn_plan_is_called_and_who_died_is_not():
    """`Do not contact` stood below `call the patient with the decision`: a blood thinner would have stayed off."""
    row = next(r for r in report().rows if r.gap)
    quiet = replace(row, contactable=False)
    stopped = replace(quiet, kind="hold", verdict="restart-due")
    assert silence([replace(row, verdict="restart-due")]) == ""
    assert silence([quiet]).startswith("Do not contact")
    assert "call only about the medicine that was stopped" in silence([quiet, stopped])
    to_stop = replace(stopped, verdict="needs-review")  # the patient may know the day, and nobody has called
    made = replace(report(), rows=(stopped, to_stop))
    page, text = gaps_html(made, plans()), re.sub(r"\s+", " ", terminal(made))
    assert "Do not contact" not in page + text
    assert silence([replace(to_stop, gap=False)]).startswith("Do not contact")
    assert "call only about the medicine" in page and "call only about the medicine" in text
