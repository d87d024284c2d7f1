"""How long do 25 medicines take? Run it: it prints milliseconds of processor time. It is no test."""

from __future__ import annotations

import statistics
import sys
import time as clock
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from medicines.case_files import CALENDAR, entry, kidney, load, moment
from waykeeper.findings import catalogue
from waykeeper.medicines import package_rules, propose
from waykeeper.medicines.words import near_names, normalise, read_words

ROUNDS = 40


def main() -> None:
    catalogue()  # every command reads it
    surgery = moment("2026-03-18T07:30")
    entries = [entry(given, f"row-{n}") for n, given in enumerate(load("sixty.yaml")["list"])][:25]
    known = kidney({"crcl": "62"}, surgery.day)
    started = clock.process_time()
    package_rules()
    print(f"reading the tables, once a process: {(clock.process_time() - started) * 1000:.1f} ms")
    started = clock.process_time()
    propose(entries, surgery, known, "unknown", {}, calendar=CALENDAR)
    print(f"{len(entries)} medicines, the first call of all: {(clock.process_time() - started) * 1000:.1f} ms")
    for name, forget in (("every list new", True), ("words seen before", False)):
        took = []
        for _ in range(ROUNDS):
            if forget:
                read_words.cache_clear()
                near_names.cache_clear()
                normalise.cache_clear()
            started = clock.process_time()
            rows = propose(entries, surgery, known, "unknown", {}, calendar=CALENDAR)
            took.append((clock.process_time() - started) * 1000)
        print(f"{len(rows)} medicines, {name}: median {statistics.median(took):.2f} ms, worst {max(took):.2f} ms")


if __name__ == "__main__":
    main()
