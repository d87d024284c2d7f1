"""The gap report as terminal text, spreadsheet and JSON."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import fields, replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from gaps.plans import ankle, evidence, link
from report.caseload import report
from waykeeper.gaps import Row, Worklist, changes_since, worklist
from waykeeper.gaps.as_json import as_json, as_object
from waykeeper.plan.model import State
from waykeeper.report.gap_files import CSV_COLUMNS, csv_in_parts, json_in_parts
from waykeeper.report.gaps_page import gaps_html
from waykeeper.report.plain import apart, clean, shortened, width_of
from waykeeper.report.terminal import changes_text, terminal

REQUIRED = (
    "patient", "item", "kind", "verdict", "severity", "window_start", "target", "window_end", "evidence", "certainty",
    "reason", "next_action", "who", "by",
)  # fmt: skip


def read(made: Worklist) -> list[dict[str, str]]:
    text = "".join(csv_in_parts(made))
    return list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"), newline="")))


def with_text(text: str) -> Worklist:
    made = report()
    row = replace(made.gaps[0], patient=text, title=text, reason=text, next_action=text, owner=text,
                  questions=(text,), history=(text,), evidence=(text,))  # fmt: skip
    return replace(made, rows=(row,))


def test_csv_has_a_row_for_each_planned_item_in_the_contract_s_columns():
    made = report()
    text = "".join(csv_in_parts(made))
    assert text.startswith("\ufeffpatient,item,kind,verdict,severity,")
    rows = read(made)
    assert CSV_COLUMNS[: len(REQUIRED)] == REQUIRED
    assert set(CSV_COLUMNS) == {f.name for f in fields(Row)}
    assert [r["item"] for r in rows] == [r.item for r in made.rows]
    missed = next(r for r in rows if r["verdict"] == "missed" and r["patient"].startswith("Maren"))
    assert (missed["window_start"], missed["target"], missed["window_end"]) == (
        "2026-04-22",
        "2026-04-29",
        "2026-05-06",
    )


def test_csv_lines_end_as_rfc_4180_says():
    text = "".join(csv_in_parts(report()))
    assert text.count("\r\n") == len(report().rows) + 1
    assert "\n" not in text.replace("\r\n", "")


@pytest.mark.parametrize(
    "start", ["=", "+", "-", "@", "\t=", "\r=", "\n=", " =", "\x00=", "\u202e=", "\x1b @", "＝", "＋", "－", "＠"]
)
def test_no_cell_becomes_a_formula(start):
    """The signs are those of the OWASP page on CSV injection (from memory)."""
    row = read(with_text(f"{start}HYPERLINK(1)"))[0]
    for cell in (row["patient"], row["reason"], row["questions"], row["evidence"], row["owner"]):
        assert cell.startswith("'")


def test_an_ordinary_cell_is_left_alone():
    assert read(with_text('Søren O\'Neil, Jr. "the boat"'))[0]["patient"] == 'Søren O\'Neil, Jr. "the boat"'


def test_json_carries_a_version_and_every_row():
    made = report()
    found = json.loads("".join(json_in_parts(made)))
    assert found["schema_version"] == "1"
    assert found["as_of"] == "2026-06-26"
    assert [r["item"] for r in found["rows"]] == [r.item for r in made.rows]


@settings(max_examples=examples(40), deadline=None)
@given(text=st.text(st.characters(exclude_categories=["Cs"]), max_size=50))
def test_json_in_parts_is_the_whole_as_the_standard_library_writes_it(text):
    whole = report()
    for made in (with_text(text), replace(whole, asked={"surgeon": text}), replace(whole, rows=(), appointments=())):
        for changes in (None, [], changes_since(whole.rows[:3], with_text(text).rows)):
            told = {} if changes is None else {"changes": [as_object(change) for change in changes]}
            whole_text = json.dumps(as_json(made) | told, indent=2, ensure_ascii=False, sort_keys=True) + "\n"
            assert "".join(json_in_parts(made, changes)) == whole_text


def test_rows_are_written_as_they_are_read():
    """Of a large export no more than one row is waited for: the first part comes before the second row is read."""
    rows = report().rows

    class Watched(tuple):
        read = 0

        def __iter__(self):
            for self.read, row in enumerate(rows, 1):
                yield row

    for write, before in ((csv_in_parts, 2), (json_in_parts, 3)):
        made = replace(report(), rows=Watched(rows))
        parts = write(made)
        while made.rows.read == 0:
            next(parts)
        for _ in range(before):
            next(parts)
        assert made.rows.read <= before + 1 < len(rows)


@settings(max_examples=examples(40), deadline=None)
@given(text=st.text(max_size=200), width=st.integers(48, 160))
def test_terminal_lines_fit_whatever_the_text(text, width):
    lines = terminal(with_text(text), width).splitlines()
    assert max(map(width_of, lines)) <= width
    assert all(line.isprintable() for line in lines)


def test_terminal_names_each_gap_with_its_next_action():
    made = report()
    text = " ".join(terminal(made).split())
    for row in made.gaps:
        assert " ".join(row.title.split()) in text or "-" in row.title
        assert row.next_action.split(".")[0][:30] in text
    assert "missed, since Thu 2026-05-07" in text
    assert f"{len(made.rows)} items: {len(made.gaps)} gaps" in text
    assert "\x1b" not in text


def test_terminal_counts_what_it_does_not_list():
    made = report()
    tail = " ".join(terminal(made).split("items: ")[-1].split())
    said = [int(part.split()[0]) for part in tail.rstrip(".").replace(",", "|").split("|")]
    assert sum(said) == len(made.rows)


def test_both_say_of_which_day_the_medicines_are():
    made = report()
    assert any(r.kind == "hold" for r in made.rows)
    without = replace(made, rows=tuple(r for r in made.rows if r.kind not in ("hold", "medicine")))
    for said, silent in ((terminal(made), terminal(without)), (gaps_html(made, []), gaps_html(without, []))):
        text = " ".join(said.split())
        assert "one that was stopped is not, until the plan is made again." in text
        assert "compiled and pushed again" not in " ".join(silent.split())


def test_identifiers_are_shortened_unless_asked():
    made = report()
    assert "AQ-0042" not in terminal(replace(made, appointments=(), rows=tuple(r for r in made.rows if not r.evidence)))
    assert "AQ-0042" in terminal(made, show_identifiers=True)
    assert shortened("https://x.example/mrn|AQ-0042") == "...042"


@pytest.mark.parametrize(
    ("people", "shown"),
    [
        ([("Ada Quill", "a|1001"), ("Bo Teal", "a|2001")], ["...001", "...001"]),  # the names tell them apart
        ([("Ada Quill", "a|1001"), ("ADA QUILL", "a|2001")], ["1001", "2001"]),
        ([("Ada Quill", "a|1001"), ("Ada Quill", "a|1001")], ["...001", "...001"]),  # one person twice
        ([("Ada Quill", "a|A-71001"), ("Ada Quill", "a|A-82001")], ["...1001", "...2001"]),
        ([("Ada Quill", "a|1001"), ("Ada Quill", "b|1001")], ["a|1001", "b|1001"]),  # only the system tells
        ([("Ada Quill", "a|1001"), ("Ada Quill", "a|001")], ["...001", "001"]),
    ],
)
def test_two_people_who_are_shown_alike_are_told_apart(people, shown):
    ends = apart(people)
    assert [ends(identifier) for _, identifier in people] == shown


def test_twins_of_one_name_are_two_people_on_every_list():
    """Same name, and numbers whose last three characters agree: nobody may call one about the other's visit."""
    twins = [(ankle(patient=number), State()) for number in ("A71001", "A82001")]
    made = worklist(twins, (), date(2026, 5, 10))
    for text in (
        terminal(made),
        changes_text(changes_since((), made.rows)),
        gaps_html(made),
        gaps_html(made, names="hidden"),
    ):
        assert "...1001" in text and "...2001" in text and "...001" not in text
    namesakes = [(ankle(patient="A71001"), State()), (ankle(patient="A82001", name="Alma Quist"), State())]
    initials = gaps_html(worklist(namesakes, (), date(2026, 5, 10)), names="hidden")  # A. Q. both
    assert "...1001" in initials and "...2001" in initials


def test_the_dead_are_not_in_the_list_to_call():
    made = report()
    assert "Piet van der Zwaluw" not in terminal(made).split("APPOINTMENTS")[0]
    assert any(r.patient == "Piet van der Zwaluw" for r in made.rows)


def test_the_overview_counts_every_gap():
    made = report()
    head = terminal(made).split("ACT TODAY")[0].splitlines()
    numbers = [int(n) for line in head[5:] for n in line.split()[1:] if line.strip()]
    assert sum(numbers) == len(made.gaps)


def test_terminal_and_page_count_alike():
    """The coordinator reads one and the surgeon the other: two numbers for one morning help nobody."""
    made = report()
    page = gaps_html(made, [])
    tally = {
        name: int(n) for n, name in re.findall(r"<b>(\d+)</b> <span[^>]*>[^<]*</span> ([A-Za-z ]+)</button>", page)
    }
    head = " ".join(terminal(made).split("\n\n")[0].split())
    said = {name: int(n) for name, n in re.findall(r"([a-z ]+) (\d+)[,)]", head.partition("(")[2])}
    assert tally == {name.strip().capitalize(): n for name, n in said.items()}
    assert set(tally) == {"Act today", "At risk", "A step waits", "Record only"}
    assert sum(tally.values()) == len(made.gaps)


def test_a_case_without_a_plan_is_no_plan():
    made = report()
    cases = [r for r in made.rows if r.verdict == "no-plan"]
    plans = {(r.identifier, r.episode, r.pathway) for r in made.rows} - {(r.identifier, 0, "") for r in cases}
    assert cases
    assert f", {len(plans)} plans, " in gaps_html(made, [])


def test_changes_since_an_earlier_report():
    """From Thu 2026-06-25 to Fri 2026-06-26 the three-month visit of 06-18 goes from to-book to overdue."""
    before, after = report(date(2026, 6, 25)), report()
    text = " ".join(changes_text(changes_since(before.rows, after.rows)).split())
    assert "WORSE:" in text
    assert "Maren Okafor-Lindqvist (...042) | Three-month visit | to-book -> overdue | Call the patient today" in text
    assert changes_text(changes_since(after.rows, after.rows)) == "Nothing changed since then.\n"


def test_nothing_to_do_is_said():
    made = replace(report(), rows=(), appointments=())
    assert terminal(made) == (
        "Gaps as of Fri 2026-06-26: 0 in 0 patients (act today 0, at risk 0, a step waits\n0)\n\n"
        "0 items: 0 gaps, 0 put off.\n"
    )


def test_clean_takes_out_what_moves_a_cursor():
    assert clean("a\x1b[31m\u202eb\tc\r\nd\x00") == "a[31mb c d"


@pytest.mark.parametrize(
    ("as_of", "day", "place"),
    [
        (date(2026, 5, 10), date(2026, 9, 18), "beside"),  # the six-month visit is not due yet: no line asks
        (date(2026, 8, 1), date(2026, 9, 18), "line"),  # to be booked: its own line asks
    ],
)
def test_a_guess_is_asked_about_once_whether_its_visit_is_a_gap_or_not(as_of, day, place):
    """A guess never closes a gap and is shown with a question; what is no gap has no line to ask in."""
    made = ankle()
    maybe = replace(evidence("Appointment/maybe", "booked", day), text="follow-up")
    report = worklist([(made, State())], [maybe], as_of)
    page = re.sub(r"<[^>]+>", "", gaps_html(report, [made]))
    for text in (" ".join(terminal(report).split()), page):
        assert ("may be Six-month visit: is it?" in text) is (place == "beside")
        assert ("may be this visit" in text) is (place == "line")
        assert ("ppointments that may be a planned visit" in text.lower()) is (place == "beside")


def test_a_guess_at_a_visit_that_was_kept_asks_nothing():
    made = ankle()
    kept = evidence("Appointment/kept", "fulfilled", date(2026, 4, 29), link_to=link(made, "six-week"))
    maybe = replace(evidence("Appointment/maybe", "fulfilled", date(2026, 4, 30)), text="follow-up")
    report = worklist([(made, State())], [kept, maybe], date(2026, 5, 10))
    assert [p.place for p in report.appointments if p.reference == "Appointment/maybe"] == ["guess"]
    assert "may be" not in terminal(report)
