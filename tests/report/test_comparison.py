"""Two pathways side by side, and the sheet that is signed: every item once, dates in words, nothing fetched."""

from __future__ import annotations

import json
import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest

from chromium import CHROMIUM
from waykeeper import verbs
from waykeeper.pathway import library
from waykeeper.pathway.comparing import FIELDS, compare
from waykeeper.pathway.confidence import confidence
from waykeeper.pathway.model import Source
from waykeeper.report.comparison import comparison_html, comparison_json, comparison_text
from waykeeper.report.plain import width_of
from waykeeper.report.review import SIGNED_BY, review_html, review_json, review_text

KNEE, HIP, ANKLE = "total-knee-replacement", "total-hip-replacement", "total-ankle-replacement"
PAIRS = [(KNEE, HIP), (ANKLE, KNEE), (HIP, f"{HIP}+no-hip-precautions")]
compared, reviewed = cache(verbs.compare_pathways), cache(verbs.review_pathway)  # each once, whoever looks at it


def text_of(page: str) -> str:
    """What a reader sees of a page."""
    seen: list[str] = []

    class Reader(HTMLParser):
        def handle_data(self, data: str) -> None:
            seen.append(data)

    Reader().feed(page[page.index("<body>") :])
    return " ".join(" ".join(seen).split())


@pytest.mark.parametrize("pair", PAIRS, ids=" ".join)
def test_count_in_is_count_out(pair):
    made = compared(*pair)
    ours, theirs = {i.name for i in made.a.items}, {i.name for i in made.b.items}
    assert sorted(row.name for row in made.items) == sorted(ours | theirs)
    assert {r.name for r in made.items if r.state == "only in A"} == ours - theirs
    assert {r.name for r in made.items if r.state == "only in B"} == theirs - ours
    for row in made.items:
        assert bool(row.changes) == (row.state == "different")
        assert all(c.a != c.b for c in row.changes)


@pytest.mark.parametrize("name", library.names())
def test_a_pathway_beside_itself_is_the_same(name):
    made = compared(name, name)
    assert made.count("same") == len(made.items) and {r.state for r in made.rules} == {"same"}


@pytest.mark.parametrize("pair", PAIRS, ids=" ".join)
def test_the_other_way_round_says_the_same(pair):
    there, back = compared(*pair), compared(*reversed(pair))
    turned = {"only in A": "only in B", "only in B": "only in A"}
    assert {(r.name, r.state) for r in there.items} == {(r.name, turned.get(r.state, r.state)) for r in back.items}


def test_medicines_stand_first_and_visits_after_them():
    groups = [row.group for row in compared(KNEE, HIP).items]
    assert list(dict.fromkeys(groups))[:2] == ["medicines", "visits"]
    assert compared(KNEE, HIP).items[0].kind == "hold"


def test_what_differs_is_said_field_by_field_with_source_and_confidence():
    row = next(r for r in compared(KNEE, HIP).items if r.name == "no-driving")
    assert {c.field: (c.a, c.b) for c in row.changes}["at_least"] == ("4 weeks after surgery", "2 weeks after surgery")
    pain = next(r for r in compared(KNEE, HIP).items if r.name == "pain-plan-1")
    changed = {c.field for c in pain.changes}
    assert {"at", "source"} <= changed and "who" not in changed


def test_two_versions_of_a_file_and_its_own_parts(tmp_path):
    """The older version has its own parts beside it; only what was changed since is different."""
    (tmp_path / "parts").mkdir()
    for part in library.part_names():
        (tmp_path / "parts" / f"{part}.yaml").write_bytes(library.read(f"parts/{part}")[1])
    old = tmp_path / "old.yaml"
    now = library.read(HIP)[1]
    version = re.findall(rb"^version: (\S+)$", now, re.MULTILINE)[0]
    old.write_bytes(now.replace(b"version: " + version + b"\nurl", b"version: 0.9.0\nurl"))
    after = tmp_path / "parts" / "after-discharge.yaml"
    after.write_bytes(
        after.read_bytes().replace(
            b"at: 6 weeks after surgery\n        window", b"at: 5 weeks after surgery\n        window"
        )
    )
    made = compared(str(old), HIP)
    assert [(r.name, [(c.field, c.a, c.b) for c in r.changes]) for r in made.items if r.state != "same"] == [
        ("six-week", [("at", "5 weeks after surgery", "6 weeks after surgery")])
    ]
    assert (made.a.version, made.b.version) == ("0.9.0", version.decode()) and made.a.digest != made.b.digest


def test_a_clinic_lays_its_overlays_over_both_sides():
    made = compared(KNEE, HIP, clinic="clinic-demo")
    assert made.a.overlays == made.b.overlays == ("nothing-after-midnight",)
    assert next(r for r in made.items if r.name == "long-fast-asked").state == "same"


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_text_holds_its_width_and_names_each_item(width):
    made = compared(KNEE, HIP)
    text = comparison_text(made, width)
    assert max(width_of(line) for line in text.splitlines()) <= width
    joined = " ".join(text.split()).replace("- ", "-")
    assert [r.name for r in made.items if f"{r.kind}/{r.name}" not in joined] == []


def test_the_json_has_both_sides_whole():
    made = compared(KNEE, f"{KNEE}+six-month-visit")
    plain = json.loads(json.dumps(comparison_json(made)))
    assert plain["schema_version"] == "1"
    assert plain["counts"] == {"different": 0, "only in A": 0, "only in B": 1, "same": len(made.a.items)}
    added = next(i for i in plain["items"] if i["state"] == "only in B")
    assert added["a"] is None and added["b"]["overlays"] == ["six-month-visit"]
    assert set(FIELDS) <= set(added["b"]) and added["b"]["said_at"][0].startswith("pathways/overlays/")


def test_a_hostile_title_stays_text():
    made = compared(KNEE, HIP)
    from dataclasses import replace

    bad = replace(made.a.items[0], title="<script>alert(1)</script>")
    page = comparison_html(compare(replace(made.a, items=(bad, *made.a.items[1:])), made.b))
    assert "<script" not in page and "&lt;script&gt;" in page
    assert "default-src 'none'" in page and not re.search(r"(src|href)=", page)


CONFIDENCE = [
    (Source("A, J 2020", "study"), "high: published"),
    (Source("A, J 2020 (from memory)", "guideline"), "medium: confirm against the publication"),
    (Source("A 2022 (hip and knee; ankle by analogy)", "guideline"), "medium: confirm against the publication"),
    (Source("A, J 2020; window: clinic setting", "study"), "medium: published in part, the clinic decides the rest"),
    (
        Source("A (from memory); days: common practice", "study"),
        "medium: confirm against the publication; published in part, the clinic decides the rest",
    ),
    (Source("", "common practice"), "low: common practice, no publication"),
    (Source("x", "clinic setting"), "the clinic decides"),
]


@pytest.mark.parametrize(("source", "words"), CONFIDENCE)
def test_confidence(source, words):
    assert confidence(source) == words


def test_the_source_of_a_pathway_does_not_speak_for_the_number_of_an_overlay():
    """Midnight is the clinic's: the fasting guideline stands as the item's source, and not for that hour."""
    rows = {r.name: r for r in compared(HIP, f"{HIP}+nothing-after-midnight").items}
    changes = {c.field: (c.a, c.b) for c in rows["fast-clear-drinks"].changes}
    assert changes["confidence"] == ("high: published", "the clinic decides: an overlay changed the number")
    assert changes["overlays"] == ("", "nothing-after-midnight")
    with_source = compared(HIP, f"{HIP}+hip-precautions-twelve-weeks").b.items
    assert not next(i for i in with_source if i.name == "hip-precautions").unsourced


# The review sheet


@pytest.mark.parametrize("name", library.names())
def test_every_item_is_on_the_sheet_once_with_a_day_or_why_it_has_none(name):
    made = reviewed(name, clinic="clinic-demo", surgery="2026-03-18T07:30")
    pathway = library.load(name, ["nothing-after-midnight"])[0]
    assert sorted((r.kind, r.name) for r in made.rows) == sorted((i.kind, i.name) for i in pathway.items)
    assert [r.number for r in made.rows] == list(range(1, len(pathway.items) + 1))
    assert [r.name for r in made.rows if not r.days or not all(day for _, day in r.days)] == []
    assert [r.name for r in made.rows if not r.source or not r.confidence or not r.places[0]] == []
    assert len(made.questions) == len(pathway.facts) and all(items for _, _, items in made.questions)


def test_the_days_of_the_example_are_those_of_a_plan():
    made = reviewed(HIP, clinic="clinic-demo", surgery="2026-09-28T10:30")
    rows = {r.name: r for r in made.rows}
    assert rows["clot-prevention-review"].days == (("35 days after surgery", "Mon 2026-11-02"),)
    assert rows["two-week"].days[0] == (
        "2 weeks after surgery", "Tue 2026-10-13, moved off the closed Mon 2026-10-12",
    )  # fmt: skip
    assert rows["two-week"].days[1] == (
        "window 10 to 18 days after surgery", "Thu 2026-10-08 to Fri 2026-10-16",
    )  # fmt: skip
    assert rows["hip-precautions"].days[-1] == ("at least 6 weeks after surgery", "not before Mon 2026-11-09")
    assert rows["urine-passed"].days[0][1] == "no day until closure is recorded"


def test_the_sheet_names_what_was_signed_and_has_a_line_for_each_section():
    made = reviewed(KNEE, clinic="clinic-demo", surgery="2026-03-18T07:30")
    page = review_html(made)
    seen = text_of(page)
    assert library.load(KNEE, ["nothing-after-midnight"])[0].digest in seen
    assert page.count("signature <span") == len(made.sections) + 1 + len(SIGNED_BY)
    for row in made.rows:
        assert row.title in seen and row.source in seen
        assert all(words in seen for _, words in row.words)
    assert "<script" not in page and not re.search(r"(src|href)=", page)


def test_the_sheet_as_text_and_json_say_the_same():
    made = reviewed(HIP, clinic="clinic-demo", surgery="2026-03-18T07:30")
    plain = json.loads(json.dumps(review_json(made)))
    joined = re.sub(r"[\s-]", "", review_text(made, 80))
    rows = [row for section in plain["sections"] for row in section["items"]]
    assert len(rows) == len(made.rows)
    for row in rows:
        for said in row["days"]:
            assert re.sub(r"[\s-]", "", f"{said['phrase']}: {said['day']}") in joined


@pytest.mark.browser
def test_both_print_on_a4_without_colour_and_without_a_torn_item(tmp_path: Path):
    from playwright.sync_api import sync_playwright

    pages = {
        "review": review_html(reviewed(KNEE, clinic="clinic-demo", surgery="2026-03-18T07:30")),
        "sides": comparison_html(compared(KNEE, HIP)),
    }
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for name, text in pages.items():
            (tmp_path / f"{name}.html").write_text(text, "utf-8")
            page = browser.new_page(viewport={"width": 700, "height": 900})
            said: list[str] = []
            page.on("console", lambda message, said=said: said.append(message.text))
            page.goto((tmp_path / f"{name}.html").as_uri())
            page.emulate_media(media="print")
            colours = page.evaluate(
                "[...new Set([...document.querySelectorAll('*')].flatMap(e => {"
                "const s = getComputedStyle(e); return [s.color, s.backgroundColor]}))]"
            )
            assert set(colours) <= {"rgb(0, 0, 0)", "rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"}
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            assert page.pdf(format="A4")[:5] == b"%PDF-" and said == []
        browser.close()
