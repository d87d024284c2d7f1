"""What a server or a file says is printed as text: it moves no cursor, and looks like no line of ours."""

from __future__ import annotations

import pytest

from waykeeper.cli.main import main
from waykeeper.findings import Position, WaykeeperError, finding, on_one_line, visible

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
