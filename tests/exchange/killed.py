"""Push the plans of a folder by the console script, kill it at chosen moments, go on; then look at what is there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

SCRIPT = Path(sys.executable).parent / "waykeeper"


@contextmanager
def sandbox(db: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """The sandbox as a process of its own: what is measured and killed here is the push alone."""
    said = db.with_suffix(".said")
    with said.open("w") as heard:
        process = subprocess.Popen([SCRIPT, "sandbox", "--port", "0", "--db", str(db)], stderr=heard)
    try:
        until = time.monotonic() + 60
        while "READY" not in said.read_text() and time.monotonic() < until:
            time.sleep(0.05)
        yield said.read_text().split("READY")[1].split()[0], process
    finally:
        process.terminate()
        process.wait(20)


def start(paths: Sequence[str], url: str, *more: str) -> subprocess.Popen[str]:
    """One push as anybody starts it."""
    return subprocess.Popen(
        [SCRIPT, "push", *paths, "--to", url, *more], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def finished(ledger: Path) -> int:
    """How many plans a ledger calls done, read while it is in use or after a kill."""
    return 0 if not ledger.exists() else ledger.read_bytes().count(b"unchanged") + ledger.read_bytes().count(b"sent")


def kill_when(process: subprocess.Popen[str], ledger: Path, plans: int, pause: float, patience: float = 200) -> bool:
    """kill -9 once a number of plans is done, and a moment later: in the midst of another. False where it had ended."""
    until = time.monotonic() + patience
    while process.poll() is None and finished(ledger) < plans and time.monotonic() < until:
        time.sleep(0.01)
    time.sleep(pause)
    if process.poll() is not None:
        return False
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()  # waits, and closes the pipes
    return True
