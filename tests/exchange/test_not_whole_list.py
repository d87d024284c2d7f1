"""What could not be read stands on the list itself, and is said before gaps are written to a server."""

import json

import pytest

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


def test_issues_say_what_was_noticed_before_they_are_written(page, capsys):
    with running() as url:
        waykeeper.push(str(PLAN), to=url)
        main(["issues", "--to", url, "--from", page, "--as-of", "2026-06-26", "--dry-run"])
    assert "WKX421 warning: a search has more pages" in capsys.readouterr().err
