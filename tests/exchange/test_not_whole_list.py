"""What could not be read stands on the list itself, and is said before gaps are written to a server."""

import csv
import json

import pytest
from icalendar import Calendar

import waykeeper
from waykeeper.cli.main import main
from waykeeper.pathway.shelf import folder
from waykeeper.report.not_whole import NOT_WHOLE
from waykeeper.sandbox import running

PLAN = folder("sandbox_bundles") / "demo-left" / "plan.bundle.json"
PAGE = {
    "resourceType": "Bundle",
    "type": "searchset",
    "link": [{"relation": "next", "url": "https://fhir.example.org/r4?page=2"}],
    "entry": [],
}


@pytest.fixture
def page(tmp_path):
    """The first page of a search, and no other."""
    path = tmp_path / "bookings.json"
    path.write_text(json.dumps(PAGE))
    return str(path)


def test_a_page_of_several_makes_the_list_not_whole(page):
    found = waykeeper.gaps(str(PLAN), page, as_of="2026-06-26")
    assert [f.code for f in found.findings] == ["WKX421"]
    (said,) = found.worklist.lacking
    assert "bookings.json" in said
    assert waykeeper.gaps(str(PLAN), as_of="2026-06-26").worklist.lacking == ()


def test_the_page_that_is_printed_says_it(page, tmp_path, capsys):
    html = tmp_path / "list.html"
    assert main(["gaps", "--from", str(PLAN), "--from", page, "--as-of", "2026-06-26", "--html", str(html)]) == 0
    assert NOT_WHOLE.upper() in capsys.readouterr().out
    assert NOT_WHOLE in html.read_text("utf-8")


def test_the_spreadsheet_and_the_to_dos_begin_with_it(page, tmp_path):
    table, todos = tmp_path / "list.csv", tmp_path / "todo.ics"
    given = ["gaps", "--from", str(PLAN), "--as-of", "2026-06-26", "--csv", str(table), "--todo", str(todos)]
    assert main(given) == 0
    whole = [rows(table), to_dos(todos)]
    assert NOT_WHOLE not in table.read_text("utf-8-sig") + todos.read_text("utf-8")
    assert main([*given, "--from", page]) == 0
    (said, *rest), (first, *others) = rows(table), to_dos(todos)
    assert [rest, others] == whole
    assert (said["patient"], said["item"], said["verdict"]) == (NOT_WHOLE, "", "")
    assert "bookings.json" in said["reason"]
    assert first[0] == NOT_WHOLE and "bookings.json" in first[1]


def rows(path):
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def to_dos(path):
    """Summary, description and day of each, in the file's order."""
    found = Calendar.from_ical(path.read_bytes()).walk("VTODO")
    return [(str(one["summary"]), str(one["description"]), one["due"].dt) for one in found]


def test_a_day_of_notes_out_of_a_list_that_is_not_whole_passes_over_what_is_no_item(page, tmp_path):
    table = tmp_path / "list.csv"
    with running() as url:
        waykeeper.push(str(PLAN), to=url)
        main(["gaps", "--from", url, "--from", page, "--as-of", "2026-06-26", "--csv", str(table)])
        listed = rows(table)
        assert listed[0]["patient"] == NOT_WHOLE
        noted = next(one for one in listed if one["item"] == "task/authorisation")
        for one in listed:
            one |= {"note": "done" if one is noted else "", "noted_by": "A. Day", "noted_on": "2026-02-20"}
        with table.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, list(listed[0]))
            writer.writeheader()
            writer.writerows(listed)
        (outcome,) = waykeeper.note_all(str(table), to=url)
    assert outcome.why == ()


def test_issues_say_what_was_noticed_before_they_are_written(page, capsys):
    with running() as url:
        waykeeper.push(str(PLAN), to=url)
        main(["issues", "--to", url, "--from", page, "--as-of", "2026-06-26", "--dry-run"])
    assert "WKX421 warning: a search has more pages" in capsys.readouterr().err
