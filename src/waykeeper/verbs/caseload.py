"""A bulk export of any size -> the worklist: split by patient, then part by part in several processes."""

from __future__ import annotations

import gc
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from multiprocessing import get_context
from pathlib import Path
from time import perf_counter

from waykeeper.exchange.partition import Parts, UnreadableError, check, partition, resources
from waykeeper.gaps import Placement, Row, Worklist, assemble, worklist
from waykeeper.plan.model import Plan, State

PART = 24 * 1024 * 1024  # bytes of lines in one part, about; a process holds one part at a time
JOBS = 2


@dataclass(frozen=True, slots=True)
class Caseload:
    """The worklist of an export, one plan of each pathway (for titles), and what it took.

    seconds   of the partition, and of everything after it
    """

    worklist: Worklist
    plans: tuple[tuple[Plan, State], ...]
    count: int
    parts: Parts
    seconds: tuple[float, float]


def caseload(files: list[Path], as_of: date | None = None, *, jobs: int = JOBS, part: int = PART) -> Caseload:
    """The gap report of NDJSON files, not sorted by patient. As `gaps`, whichever way the lines are split.

    Memory is that of `jobs` parts, and of the rows, which are the result.
    """
    size = sum(file.stat().st_size for file in files)
    with tempfile.TemporaryDirectory(prefix="waykeeper-") as folder, _without_looking_for_cycles():  # mode 0700
        start = perf_counter()
        parts = partition(files, Path(folder), max(jobs, -(-size // part)))
        split = perf_counter()
        moment = as_of or datetime.now(UTC)
        tasks = [(file, moment) for file in parts.files]
        done = _in_processes(tasks, jobs, files)
        rows = [row for one in done for row in one[0]]
        placed = [place for one in done for place in one[1]]
        day = next((one[4] for one in done if one[3]), moment if not isinstance(moment, datetime) else moment.date())
        titles = {plan.pathway.canonical: (plan, state) for one in done for plan, state in one[2]}
        report = assemble(rows, placed, day)
        spent = (split - start, perf_counter() - split)
    return Caseload(report, tuple(titles.values()), sum(one[3] for one in done), parts, spent)


@contextmanager
def _without_looking_for_cycles() -> Iterator[None]:
    """Rows hold no cycles; looking for some among millions of values takes longer than reading them."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


def _in_processes(tasks: list[tuple[Path, date | datetime]], jobs: int, files: list[Path]) -> list[_Done]:
    """What became of each part. Raises WaykeeperError WKC102 that names the line that is no JSON."""
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_begin) as pool:
        try:
            return list(pool.map(_part, tasks))
        except UnreadableError:
            check(files)
            raise


_Done = tuple[tuple[Row, ...], tuple[Placement, ...], list[tuple[Plan, State]], int, date]


def _begin() -> None:
    """A process of its own. A part leaves no cycles behind (tested), so none are looked for."""
    import waykeeper.exchange.reading
    import waykeeper.fhir  # noqa: F401 - loaded here, so that it belongs to the beginning

    gc.disable()


def _part(task: tuple[Path, date | datetime]) -> _Done:
    """One part in a process of its own: rows, places, one plan of each pathway, how many plans, the day."""
    from waykeeper.exchange.reading import newest
    from waykeeper.fhir import evidence, read_all

    file, moment = task
    held = newest(resources(file))
    plans = read_all(held)
    found = evidence(held, plans[0][0].zone if plans else "UTC")
    report = worklist(plans, found, moment)
    titles = {plan.pathway.canonical: (plan, state) for plan, state in plans}
    return report.rows, report.appointments, list(titles.values()), len(plans), report.as_of
