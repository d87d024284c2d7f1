"""How long a command takes to say its help: a whole process, beside a bare interpreter of the same machine."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

RUNS = 11
COMMAND = Path(sys.executable).with_name("waykeeper")


def median(command: list[str]) -> float:
    """Median seconds of a whole process over several runs."""
    taken = []
    for _ in range(RUNS):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def main() -> None:
    """Print both and their ratio."""
    bare = median([sys.executable, "-c", "pass"])
    for arguments in (["--help"], ["compile", "--help"]):
        helped = median([str(COMMAND), *arguments])
        name = " ".join(arguments)
        print(f"waykeeper {name}: {helped:.3f} s; bare interpreter {bare:.3f} s; ratio {helped / bare:.1f}")


if __name__ == "__main__":
    main()
