"""A large export that is interrupted ends at once and leaves no copy of a record behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from bulk_folder import write

# As the command, but what counts as large is so here: other processes are started.
# A process that a shell started behind the prompt takes no interrupt from the keys, nor do those that it starts.
COMMAND = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
from waykeeper.cli.main import run
from waykeeper.verbs import caseload, comparing
comparing.LARGE = 1
{more}
sys.argv = ["waykeeper", "gaps", "--from", sys.argv[1], "--as-of", "2026-06-26"]
run()
"""
# A comparison that lasts until somebody ends it.
ENDLESS = """
import time
caseload._compared = lambda parts, moment, pool, files: caseload.result_of(pool.submit(time.sleep, 600))
"""


def _told(run: subprocess.Popen[bytes], said: signal.Signals) -> tuple[bytes, bytes]:
    """What a process printed that was told to end; told again where the first was lost, as a person at the keys does.

    An exception that a signal raises while Python runs a finalizer is dropped (seen once in some hundred runs), and
    Python says on standard error that it was: that is left out of what is returned.
    """
    for again in range(6):
        run.send_signal(said)
        with contextlib.suppress(subprocess.TimeoutExpired):
            out, err = run.communicate(timeout=10)
            return out, b"interrupted\n" if again and _only_dropped(err) else err
    run.kill()
    return run.communicate()


def _only_dropped(err: bytes) -> bool:
    return err.startswith(b"Exception ignored in") and err.endswith(b"\ninterrupted\n")


@pytest.mark.skipif(sys.platform == "win32", reason="a signal there ends a process without asking it")
@pytest.mark.parametrize("said", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_ends_it_and_the_copies_are_gone(tmp_path, said):
    export, copies = tmp_path / "export", tmp_path / "copies"
    export.mkdir()
    copies.mkdir()
    write(export, 12)
    given = [sys.executable, "-c", COMMAND.format(more=ENDLESS), str(export)]
    environment = os.environ | {"TMPDIR": str(copies)}
    with subprocess.Popen(given, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        while not list(copies.glob("waykeeper-*/*/*")) and run.poll() is None:  # the split has begun
            time.sleep(0.001)
        out, err = _told(run, said)
    assert (run.returncode, out, err) == (130, b"", b"interrupted\n")
    assert not list(copies.glob("waykeeper-*"))


def test_uninterrupted_it_says_the_list_and_leaves_nothing(tmp_path):
    export, copies = tmp_path / "export", tmp_path / "copies"
    export.mkdir()
    copies.mkdir()
    write(export, 12)
    given = [sys.executable, "-c", COMMAND.format(more=""), str(export)]
    run = subprocess.run(given, env=os.environ | {"TMPDIR": str(copies)}, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (0, "")
    assert "132 items: " in " ".join(run.stdout.split())  # ten visits and the plan's own row of each
    assert list(copies.iterdir()) == []
