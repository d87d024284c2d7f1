"""The bar of a push of many: on a terminal past two seconds, nowhere else; and the sums in words and JSON."""

from __future__ import annotations

import json
import sys

import pytest

from exchange.many_patients import small_plan
from waykeeper.cli import many
from waykeeper.cli.main import main
from waykeeper.sandbox import running


def drawn(monkeypatch, capsys, *, terminal, patience):
    monkeypatch.setattr(many, "PATIENCE", patience)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal, raising=False)
    with many.Bar("pushing") as bar:
        bar.total(3)
        for _ in range(3):
            bar.step()
        shown = bar._progress is not None
    return shown, capsys.readouterr().out


def test_the_bar_is_for_a_terminal_and_for_those_who_wait(monkeypatch, capsys):
    assert drawn(monkeypatch, capsys, terminal=True, patience=0.0) == (True, "")
    assert drawn(monkeypatch, capsys, terminal=True, patience=60.0) == (False, "")
    assert drawn(monkeypatch, capsys, terminal=False, patience=0.0) == (False, "")


@pytest.mark.parametrize("ending", ["json", "ndjson"])
def test_sums_in_words_and_json_and_exit_codes(ending, tmp_path, monkeypatch, capfdbinary):
    monkeypatch.chdir(tmp_path)
    lines = [json.dumps(small_plan(n)) for n in range(2)]
    if ending == "ndjson":
        (tmp_path / "plans.ndjson").write_text("\n".join(lines) + "\n")
    else:
        (tmp_path / "plans").mkdir()
        for n, line in enumerate(lines):
            (tmp_path / "plans" / f"{n}.json").write_text(line)
    given = "plans.ndjson" if ending == "ndjson" else "./plans"
    with running() as url:
        assert main(["push", given, "--to", url, "--dry-run", "--fail-on", "change"]) == 1
        assert capfdbinary.readouterr().out == b"would be pushed: 2 plans: 2 sent\n"
        assert main(["push", given, "--to", url, "--ledger", "ledger"]) == 0
        assert capfdbinary.readouterr().out == b"pushed: 2 plans: 2 sent\n"
        assert main(["push", given, "--to", url, "--format", "json", "--fail-on", "change"]) == 0
    said = json.loads(capfdbinary.readouterr().out)
    assert said["outcomes"] == {"unchanged": 2} and [p["outcome"] for p in said["plans"]] == ["unchanged"] * 2
    assert not set(said["plans"][0]["decisions"]) - {"unchanged"}
