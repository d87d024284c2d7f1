"""Planned against actual over an invented caseload: the confusion table, and how many plans a second.

Run: python tests/benchmarks/bench_gaps.py [PATIENTS] [SEED] [PATIENTS OF A BULK EXPORT ...]
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import timedelta
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from bulk_folder import write
from calibration import loop

from gaps.caseload import AS_OF, CHANNELS, Confusion, caseload, confusion
from gaps.plans import SURGERY, ankle, dates, evidence, item, link, plan
from waykeeper.exchange.partition import bulk_files
from waykeeper.gaps import patient, worklist
from waykeeper.plan.model import State
from waykeeper.verbs.caseload import caseload as caseload_of

WHOLE = 100  # items of a whole plan
BULK = (200, 800)  # patients of a bulk export; 2500 and 10000 take minutes
PART = 4 * 1024 * 1024  # bytes of a part, so small that each of these exports has several and memory compares


def whole_plan(number: int):
    """A plan of 100 items: the five visits, and tasks, instructions and restrictions around them."""
    base = ankle(patient=str(number))
    days = [SURGERY + timedelta(days=n) for n in range(-60, 60)]
    kinds = ("task", "task", "task", "instruction", "restriction", "goal")
    rest = [item(kinds[n % len(kinds)], f"item-{n}", dates(days[n])) for n in range(WHOLE - len(base.items))]
    made = plan(*base.items, *rest, patient=str(number))
    came = [
        evidence(f"Appointment/{number}-{n}", "fulfilled", v.dates.target.day, patient=str(number),
                 link_to=link(made, v.key.item))
        for n, v in enumerate(base.items[:3])
    ]  # fmt: skip
    return (made, State()), came


def share(part: int, whole: int) -> str:
    """`3 of 400 (0.75 %)`."""
    return f"{part} of {whole} ({100 * part / whole:.2f} %)" if whole else "0 of 0"


def table(found: Confusion) -> str:
    """The confusion table and the rates that the room promises."""
    named = [c for c in CHANNELS if c not in ("linked", "bare")]
    said = "type+interval", "words+interval"
    only = found.kept_falsely["type and day"]
    lines = [
        found.text(),
        f"false gaps, linked:                            {share(*found.rate('false gap', ['linked']))}",
        f"false gaps, unlinked with an interval:         {share(*found.rate('false gap', said))}",
        f"false gaps, unlinked with type, words or interval: {share(*found.rate('false gap', named))}",
        f"false gaps, unlinked, nothing said ('bare'):   {share(*found.rate('false gap', ['bare']))}",
    ]
    for basis in ("linked", "own words or interval", "nothing", "type and day"):
        hidden, kept = len(found.missed_gaps[basis]), len(found.kept_falsely[basis])
        lines.append(f"verdicts resting on {basis}: {found.visits[basis]}; gaps hidden {hidden}; falsely kept {kept}")
    lines.append(f"falsely kept where only type and day speak: {share(len(only), found.visits['type and day'])}")
    return "\n".join(lines)


def say(text: str) -> None:
    """A benchmark prints."""
    sys.stdout.write(text + "\n")


def _once(folder: str) -> tuple[int, float, float, float, float, int, int]:
    """Lines, seconds of the partition, of the rest and of going through all rows, CPU seconds of all processes,
    and MB: of this process, and of the largest that compared."""
    before = sum(os.times()[:4])
    made = caseload_of(bulk_files(folder), AS_OF, part=PART)
    start = time.perf_counter()
    rows = sum(1 for _ in made.worklist.rows)
    read = time.perf_counter() - start
    memory = [resource.getrusage(who).ru_maxrss // 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    assert rows == made.count * 11  # ten visits and the plan's own row
    return made.parts.lines, *made.seconds, read, sum(os.times()[:4]) - before, *memory


def _alone(folder: str) -> tuple[float, float]:
    """Seconds of the partition and of the rest in one process, while the other core has nothing to do."""
    return caseload_of(bulk_files(folder), AS_OF, part=PART, jobs=1).seconds


def apart(run, *given):
    """What a function says in a process of its own: its memory is not this one's."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(run, *given).result()


def bulk(counts: tuple[int, ...]) -> None:
    """A bulk export, not sorted by patient: the partition and the rest apart, memory, and what 10,000 patients take.

    Wall seconds say what a user waits on the machine as it is. Where its two processors are two threads of one core,
    they hinder each other: half of the patients in one process, alone, is what each of two cores of their own takes.
    The load is printed beside them, and the same loop of plain Python before and after.
    """
    for count in counts:
        with tempfile.TemporaryDirectory() as folder:
            size = apart(write, Path(folder), count)
            say(f"bulk: {count} patients with 10 visits, {size / 1e6:.0f} MB ({loop()})")
            lines, split, rest, read, cpu, own, other = apart(_once, folder)
        load = f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
        say(f"  {lines} lines ({load}; {loop()} afterwards)")
        say(f"  partition {split:.1f} s, the rest in two processes {rest:.1f} s, together {split + rest:.1f} s")
        say(f"  going through all rows once, sorted, from disk {read:.1f} s")
        say(f"  CPU of all processes {cpu:.1f} s ({1000 * cpu / count:.2f} ms a patient)")
        say(f"  memory: a process that compares {other} MB, the one that reads the result {own} MB")
        with tempfile.TemporaryDirectory() as folder:
            apart(write, Path(folder), count // 2)
            first, second = apart(_alone, folder)
        say(f"  half of them in one process, alone: partition {first:.1f} s, the rest {second:.1f} s ({loop()})")
    took, best = 10_000 * (split + rest) / count, 10_000 * (first + second) / count
    say(f"10,000 patients at the last rate: {took:.0f} s as measured, {best:.0f} s on two cores of their own")


def main(patients: int = 2000, seed: int = 11, *counts: int) -> None:
    """Print the table, then the rates. CPU seconds of this process, so that a busy machine changes little.

    The bulk export comes first: a process begins with the largest memory that the one that started it ever had.
    """
    bulk(counts or BULK)
    planted = caseload(patients, seed)
    start = time.process_time()
    listed = worklist(planted.plans, planted.evidence, AS_OF)
    spent = time.process_time() - start
    say(table(confusion(planted, listed)))
    sources = f"{len(planted.truth)} visits, {len(planted.evidence)} appointments and encounters"
    say(f"{patients} patients, {sources}: {spent:.2f} s CPU, {patients / spent:.0f} patients a second")
    whole = [whole_plan(n) for n in range(200)]
    start = time.process_time()
    for pair, came in whole:
        patient([pair], came, SURGERY + timedelta(days=50))
    spent = time.process_time() - start
    say(f"whole plans of {WHOLE} items: {len(whole) / spent:.0f} a second, one core")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
