"""What a server or a file says is printed as text: it moves no cursor, and looks like no line of ours."""

from __future__ import annotations

import pytest

from waykeeper.cli.main import main
from waykeeper.findings import Position, WaykeeperError, finding, on_one_line, visible
from waykeeper.pathway.shelf import folder
from waykeeper.sandbox import running

HOSTILE = "a\x1b[2J\x1b]0;title\x07\x9b31m\u202eb\u2066\nWKX000 error: forged\r\x00c\u2028d"


def test_a_finding_is_one_line_of_what_is_seen():
    line = finding("WKX201", HOSTILE, Position(f"{HOSTILE}.json", 3), HOSTILE).line()
    assert line.isprintable() and "a[2J]0;title31mb WKX000 error: forged c d" in line
    assert str(WaykeeperError(finding("WKX201", HOSTILE))).isprintable()


@pytest.mark.parametrize("text", ["Søren O'Neil", "日本語", "نور 2026-03-18", "a\tb\nc\r\n", "e\u0301 \u200d", ""])
def test_what_is_seen_stays(text):
    assert visible(text) == text


def test_what_breaks_a_line_is_a_blank():
    assert on_one_line("a\r\nb\tc\u2028d") == "a b c d"


def test_a_file_with_such_a_name_is_named_so(tmp_path, capfd):
    file = tmp_path / "x\x1b[2J\nWKX000 error: forged.json"
    file.write_text("{", "utf-8")
    assert main(["sheet", str(file), "--html", "-"]) == 2
    told = capfd.readouterr().err
    assert "x[2J WKX000 error: forged.json:1:2: WKC102 error: not JSON" in told and told.count("\n") == 1
    assert "\x1b" not in told


def test_the_line_of_a_note_too(tmp_path, capfd):
    with running(load=folder("sandbox_bundles") / "demo-left") as url:
        words = ("note", "task/clearance-received", "done", "--to", url, "--on", "2026-02-18")
        who = ("--patient", "https://alder-quay.example/mrn|AQ-1001")
        assert main([*words, *who, "--by", "Ruth\x1b[2J\u202e"]) == 0
    told = capfd.readouterr().out
    assert "done by Ruth[2J on 2026-02-18" in told and told.rstrip("\n").isprintable()
