"""`make bench`: every benchmark of this folder, one after the other, each printing ratios measured in its own run."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path


def main() -> int:
    """Run each bench_*.py as a program; the exit code is the worst of theirs."""
    worst = 0
    for file in sorted(Path(__file__).parent.glob("bench_*.py")):
        print(f"\n== {file.stem.removeprefix('bench_')}", flush=True)
        sys.argv = [str(file)]
        try:
            runpy.run_path(str(file), run_name="__main__")
        except SystemExit as ended:
            worst = max(worst, int(ended.code or 0))
    return worst


if __name__ == "__main__":
    sys.exit(main())
