"""Every bad input of tests/cases/cli is answered in one clear sentence, with nothing half written."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from cli import case_files as bench
from waykeeper.cli.command_table import COMMANDS
from waykeeper.exchange import files
from waykeeper.pathway.library import folder
from waykeeper.sandbox import running

CASES = bench.cases()


@pytest.fixture(scope="module")
def places() -> Iterator[dict[str, str]]:
    """A server with one invented patient, a port where nothing listens, a port that is in use."""
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        with running(load=str(folder("sandbox_bundles") / "demo-left")) as url:
            busy = url.split(":")[2].partition("/")[0]
            yield {"URL": url, "CLOSED": str(closed.getsockname()[1]), "BUSY": busy}


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_bad_input_is_answered_in_one_sentence(case, places, tmp_path, monkeypatch, capfdbinary):
    bench.lay_out(case.said, tmp_path)
    before = bench.listing(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(files, "LARGEST", case.said.get("largest", files.LARGEST))
    outcome = bench.run(case.said, places, monkeypatch, capfdbinary)
    bench.judge(case.said, outcome)
    for secret in bench.private(tmp_path):
        assert secret not in outcome.err, f"{secret!r} of a patient is in the message"
    after = bench.listing(tmp_path)
    assert set(after) - set(before) == set(case.said.get("left") or []), "files were left behind"
    assert {name: after.get(name) for name in before} == before, "a file that was there is changed"


def test_every_command_has_its_cases():
    counted = Counter(case.command for case in CASES)
    few = {"demo": 7, "pathways": 8}  # one option, and none
    assert {c: counted[c] for c in COMMANDS if counted[c] < few.get(c, 20)} == {}
    assert len({str(case) for case in CASES}) == len(CASES)


CONSOLE = [str(case) for case in CASES if case.said.get("console")]


@pytest.mark.parametrize("case", [c for c in CASES if c.said.get("console")], ids=str)
def test_the_console_script_says_the_same(case, places, tmp_path):
    bench.lay_out(case.said, tmp_path)
    script = Path(sys.executable).parent / "waykeeper"
    words = bench.arguments(case.said, places)
    done = subprocess.run([script, *words], cwd=tmp_path, capture_output=True, text=True, check=False)
    bench.judge(case.said, bench.Outcome(done.returncode, done.stdout, done.stderr))


def test_some_cases_go_through_the_console_script():
    assert len(CONSOLE) >= 5
