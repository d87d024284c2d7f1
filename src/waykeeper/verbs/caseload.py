"""A bulk export of any size -> the worklist: split by patient, then part by part in several processes."""

from __future__ import annotations

import gc
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import partial, reduce
from operator import or_
from pathlib import Path
from time import perf_counter

from waykeeper.exchange.files import unwritable
from waykeeper.exchange.matches import not_given_of
from waykeeper.exchange.one_plan import one_of_each
from waykeeper.exchange.partition import Parts, UnreadableError, check, check_shapes, partition, resources
from waykeeper.exchange.products import with_products
from waykeeper.exchange.reading import newest
from waykeeper.exchange.sorted_on_disk import SortedOnDisk, SortedRun, write_run
from waykeeper.exchange.unreadable import FAILURES
from waykeeper.fhir import Types, evidence_of, read_all, rootless, types_of
from waykeeper.gaps import Placement, Row, Worklist, once, order, place_order, worklist
from waykeeper.plan.model import Plan, State
from waykeeper.verbs.processes import processes, result_of

PART = 24 * 1024 * 1024  # bytes of lines in one part, about; a process holds one part at a time
MOST_PARTS = 500  # each is an open file while the export is split; of a larger export the parts are larger
JOBS = 2


@dataclass(frozen=True, slots=True)
class Caseload:
    """The worklist of an export, one plan of each pathway (for titles), and what it took.

    seconds   of the partition, and of everything after it
    copies    plans that were there more than once: the copy written last counts
    rootless  (patient, root) of plans that are not there themselves while their phases are
    left_out  types that plans name and of which nothing was read
    held_back what the server says that it did not give, where it stands among the lines
    """

    worklist: Worklist
    plans: tuple[tuple[Plan, State], ...]
    count: int
    parts: Parts
    seconds: tuple[float, float]
    copies: int = 0
    rootless: tuple[tuple[str, str], ...] = ()
    left_out: frozenset[str] = frozenset()
    held_back: tuple[str, ...] = ()


def caseload(files: list[Path], as_of: date | None = None, *, jobs: int = JOBS, part: int = PART) -> Caseload:
    """The gap report of NDJSON files, not sorted by patient. As `gaps`, whichever way the lines are split.

    jobs   processes that compare; 1 is this one
    part   bytes of lines in a part, about

    Memory is that of `jobs` parts: rows and appointments are on disk, in a file without a name, and are read from there
    each time they are gone through. What grows with the number of patients is their names while the export is split,
    and the appointments of classes. Raises WaykeeperError WKC101 to WKC104, WKC902, and WKX219 for a resource that
    nobody can read.
    """
    try:
        return _caseload(files, as_of, jobs, part)
    except FAILURES:
        check_shapes(files)
        raise
    except OSError as error:  # the export is read with names of its own; what is left is our own writing
        remedy = "Name a folder in TMPDIR with room for the whole export, unpacked, and a third more."
        raise unwritable(tempfile.gettempdir(), (error.strerror or str(error)).lower(), remedy) from None


def _caseload(files: list[Path], as_of: date | None, jobs: int, part: int) -> Caseload:
    size = sum(file.stat().st_size for file in files)
    workers: AbstractContextManager[Executor | None] = processes(jobs, gc.disable) if jobs > 1 else _here()
    with tempfile.TemporaryDirectory(prefix="waykeeper-") as folder, workers as pool:  # mode 0700
        start = perf_counter()
        parts = partition(files, Path(folder), min(MOST_PARTS, max(jobs, -(-size // part))), pool)
        split = perf_counter()
        moment = as_of or datetime.now(UTC)
        compared = _compared(parts, moment, pool, files)
        day = next((one.as_of for one in compared if one.plans), moment)
        report = _joined(compared, day.date() if isinstance(day, datetime) else day)
        titles = {plan.pathway.canonical: (plan, state) for one in compared for plan, state in one.titles}
        spent = (split - start, perf_counter() - split)
    count, copies = sum(one.plans for one in compared), sum(one.copies for one in compared)
    lost = tuple(pair for one in compared for pair in one.rootless)
    left_out = _types(compared).left_out
    held_back = tuple(dict.fromkeys(said for one in compared for said in one.held_back))
    return Caseload(report, tuple(titles.values()), count, parts, spent, copies, lost, left_out, held_back)


@contextmanager
def _here() -> Iterator[None]:
    """This process compares, as the others would. A part leaves no cycles behind (tested): none are looked for."""
    looked_for = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if looked_for:
            gc.enable()


@dataclass(frozen=True, slots=True)
class _Compared:
    """What became of one part; its rows and places are on disk.

    of_classes   the places of appointments of several patients: a class may be in many parts
    titles       one plan of each pathway
    plans        how many plans the part holds, and of how many it holds copies
    """

    rows: SortedRun
    places: SortedRun
    of_classes: tuple[Placement, ...]
    counts: Counter[str]
    titles: list[tuple[Plan, State]]
    plans: int
    copies: int
    rootless: tuple[tuple[str, str], ...]
    held_back: tuple[str, ...]
    types: Types
    as_of: date


def _compared(parts: Parts, moment: date | datetime, pool: Executor | None, files: list[Path]) -> list[_Compared]:
    """What became of each part. Raises WaykeeperError WKC102 that names the line that is no JSON."""
    try:
        made = _each(parts, parts.files, moment, pool)
        left_out = _types(made).left_out
        # A part may have nothing of a type that another has: that was deleted, and each is told.
        again = [n for n, one in enumerate(made) if (one.types.left_out ^ left_out) & one.types.named.keys()]
        for n, one in zip(again, _each(parts, [parts.files[n] for n in again], moment, pool, left_out), strict=True):
            made[n] = one
        return made
    except UnreadableError:
        check(files)
        raise


def _each(
    parts: Parts,
    some: Sequence[Sequence[Path]],
    moment: date | datetime,
    pool: Executor | None,
    left_out: frozenset[str] | None = None,
) -> list[_Compared]:
    if pool is None:
        return [_part(part, parts.products, moment, left_out) for part in some]
    # not pool.map: interrupted, it cancels what waits, and a pool whose processes were ended stumbles over that
    return [result_of(done) for done in [pool.submit(_part, part, parts.products, moment, left_out) for part in some]]


def _types(compared: Sequence[_Compared]) -> Types:
    return reduce(or_, (one.types for one in compared), Types(frozenset(), {}))


def _part(
    part: Sequence[Path], products: Sequence[Path], moment: date | datetime, left_out: frozenset[str] | None = None
) -> _Compared:
    """One part, in a process of its own. `left_out`: types of which the export has nothing, once that is known."""
    held, several = one_of_each(newest(with_products(resources(part), products)))
    types = types_of(held)
    plans = read_all(held, types.left_out if left_out is None else left_out)
    found = evidence_of(held, plans)
    report = worklist(plans, found, moment)
    shared = {reference for reference, times in Counter(e.reference for e in found).items() if times > 1}
    alone = [p for p in report.appointments if p.reference not in shared] if shared else report.appointments
    titles = {plan.pathway.canonical: (plan, state) for plan, state in plans}
    return _Compared(
        write_run(report.rows, part[0].with_suffix(".rows")),
        write_run(alone, part[0].with_suffix(".places")),
        tuple(p for p in report.appointments if p.reference in shared),
        Counter(report.counts),
        list(titles.values()),
        len(plans),
        len(several),
        tuple(rootless(held, plans)),
        tuple(not_given_of(resource for _, resource in held)),
        types,
        report.as_of,
    )


def _joined(compared: Sequence[_Compared], day: date) -> Worklist:
    """One report of all parts."""
    counts = sum((one.counts for one in compared), Counter[str]())
    rows: SortedOnDisk[Row] = SortedOnDisk([one.rows for one in compared], partial(order, as_of=day))
    classes = once(sorted((place for one in compared for place in one.of_classes), key=place_order))
    places = SortedOnDisk([one.places for one in compared], place_order, classes)
    return Worklist(day, rows, places, dict(sorted(counts.items())))
