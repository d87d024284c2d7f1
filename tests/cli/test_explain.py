"""`explain` has a page for every code, and the whole story of an item."""

from __future__ import annotations

import pytest

from waykeeper.cli.main import main
from waykeeper.findings import catalogue
from waykeeper.pathway.library import folder

PLAN = str(folder("sandbox_bundles") / "demo-left" / "plan.bundle.json")


def test_every_code_has_a_page(capsys):
    for code, entry in catalogue().items():
        assert main(["explain", code]) == 0
        out, err = capsys.readouterr()
        assert out.startswith(f"{code}: {entry.title} ({entry.severity}, ")
        assert entry.explanation.strip() in out
        assert err == ""


def test_a_code_may_be_written_in_small_letters(capsys):
    assert main(["explain", "wkc101"]) == 0
    assert capsys.readouterr().out.startswith("WKC101: ")


@pytest.mark.parametrize(
    ("item", "parts"),
    [
        (
            "visit/six-week",
            ["6 weeks after surgery", "2026-04-29", "surgery", "2026-03-18", "total-ankle-replacement.yaml:", "TARVA"],
        ),
        ("six-week", ["visit/six-week"]),
        ("fast-fatty-food", ["overlays: nothing-after-midnight", "earlier of 8 hours before surgery", "2026-03-1"]),
    ],
)
def test_an_item_says_where_it_comes_from(item, parts, capsys):
    assert main(["explain", item, "--in", PLAN]) == 0
    out, err = capsys.readouterr()
    assert [part for part in parts if part not in out] == []
    assert err == ""
