"""Processes of our own: what becomes of them, and what is said, where the work does not go well."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from multiprocessing import active_children

import pytest

from waykeeper.findings import WaykeeperError
from waykeeper.verbs.processes import processes

LONG = 600  # seconds that nobody waits: a process that is not ended keeps the test from ending


def test_the_work_is_done_elsewhere_and_what_stops_it_is_raised_here():
    with processes(1) as pool:
        assert pool.submit(os.getpid).result() != os.getpid()
        with pytest.raises(ZeroDivisionError):
            pool.submit(divmod, 1, 0).result()
        assert pool.submit(divmod, 7, 2).result() == (3, 1)  # and it goes on


def test_each_process_begins_with_what_it_is_given():
    with processes(1, os.umask, 0o027) as pool:
        assert pool.submit(os.umask, 0o027).result() == 0o027


def test_a_process_that_the_system_ends_is_told_with_what_to_do():
    with pytest.raises(WaykeeperError) as raised, processes(2) as pool:
        sleeping = pool.submit(time.sleep, LONG)
        ended = pool.submit(os._exit, 137)  # as the system ends what takes too much memory
        pool.submit(int)  # the pool looks after a process that it started once it is given more to do
        ended.result()
    (found,) = raised.value.findings
    assert found.code == "WKC902" and "more memory" in found.line()
    assert sleeping.exception() is not None
    assert active_children() == []


@pytest.mark.parametrize("stop", [KeyboardInterrupt, GeneratorExit, OSError])
def test_whatever_goes_wrong_ends_them_at_once(stop):
    with pytest.raises(stop), processes(2) as pool:
        for _ in range(3):
            pool.submit(time.sleep, LONG)
        raise stop
    assert active_children() == []


MANY = """
import os, sys, time
from waykeeper.verbs.processes import processes
if __name__ == "__main__":
    with processes(2) as pool:
        pool.submit(time.sleep, 600)
        print(pool.submit(os.getpid).result(), flush=True)
        time.sleep(600)
"""


def test_they_end_with_a_process_that_was_killed(tmp_path):
    """They stayed for ever and kept its output open, so that whoever read that waited for ever too."""
    (tmp_path / "many.py").write_text(MANY)
    script = [sys.executable, str(tmp_path / "many.py")]
    killed = subprocess.Popen(script, stdout=subprocess.PIPE, start_new_session=True)
    assert killed.stdout is not None
    assert killed.stdout.readline()
    killed.kill()
    try:
        rest, _ = killed.communicate(timeout=60)  # at its end nobody holds the output open
        assert rest == b""
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(killed.pid, signal.SIGKILL)
