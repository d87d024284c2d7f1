"""How long a command takes to say its help: a whole process, beside a bare interpreter of the same machine.

The runs of all take turns, so that a busy moment meets each of them; the best of a command is what the machine can do.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

RUNS = 15
COMMAND = Path(sys.executable).with_name("waykeeper")


COMMANDS = {
    "bare interpreter": [sys.executable, "-c", "pass"],
    "waykeeper --help": [str(COMMAND), "--help"],
    "waykeeper compile --help": [str(COMMAND), "compile", "--help"],
}


def seconds(command: list[str]) -> float:
    """Seconds of a whole process."""
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    """Print each with its ratio to the bare interpreter."""
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(RUNS):
        for name, command in COMMANDS.items():
            taken[name].append(seconds(command))
    bare = statistics.median(taken["bare interpreter"])
    for name, each in taken.items():
        middle = statistics.median(each)
        print(f"{name}: median {middle:.3f} s, best {min(each):.3f} s; ratio to bare {middle / bare:.1f}")


if __name__ == "__main__":
    main()
