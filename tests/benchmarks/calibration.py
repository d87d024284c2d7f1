"""A fixed amount of plain Python, timed beside what is measured.

A processor changes its speed with what else runs on it, and interpreters are built with and without optimisation: one
and the same loop took 24 to 68 ms where these benchmarks were written. Only numbers beside the same loop time compare.
"""

from __future__ import annotations

import platform
import time
from collections.abc import Callable


def calibration() -> int:
    """The loop: dictionaries and texts, as the measured work is."""
    found: dict[int, str] = {}
    for number in range(100_000):
        found[number % 997] = f"{number}:{found.get(number % 991, '')[:8]}"
    return len(found)


def spent(work: Callable[[], object]) -> float:
    """Milliseconds of processor time."""
    begun = time.process_time()
    work()
    return (time.process_time() - begun) * 1000


def loop() -> str:
    """The interpreter, and milliseconds of processor time for the loop at its best of ten and at its worst."""
    took = sorted(spent(calibration) for _ in range(10))
    return f"Python {platform.python_version()}, calibration loop {took[0]:.0f} to {took[-1]:.0f} ms"
