"""Sorted values of several processes as one sorted sequence on disk, read a few at a time."""

from __future__ import annotations

import heapq
import pickle
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar, overload

T = TypeVar("T")

AT_ONCE = 64  # values of one run that are in memory together


@dataclass(frozen=True, slots=True)
class SortedRun:
    """A file of sorted values: `sizes` are the bytes of each `AT_ONCE` of them, `count` is that of all."""

    file: Path
    sizes: tuple[int, ...]
    count: int


def write_run(values: Sequence[Any], file: Path) -> SortedRun:
    """Values that are sorted already, written for `SortedOnDisk`. They must be such as pickle keeps."""
    sizes = []
    with file.open("wb") as out:
        for start in range(0, len(values), AT_ONCE):
            sizes.append(out.write(pickle.dumps(values[start : start + AT_ONCE], pickle.HIGHEST_PROTOCOL)))
    return SortedRun(file, tuple(sizes), len(values))


class SortedOnDisk(Sequence[T]):
    """Runs merged by `key` while they are read, as often as asked; one is in memory `AT_ONCE` values at a time.

    The files of the runs are taken over into one that has no name, so that nothing is left whatever ends the process.
    Only what this process or its children wrote may be given: pickle runs what it reads.
    """

    def __init__(self, runs: Iterable[SortedRun], key: Callable[[T], Any], held: Sequence[T] = ()) -> None:
        """Take the runs over; `held` is a further one, which stays in memory."""
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - closed when nobody reads it any more
        weakref.finalize(self, self._file.close)
        self._key, self._held, self._count = key, held, len(held)
        self._runs: list[tuple[int, tuple[int, ...]]] = []
        for run in runs:
            self._runs.append((self._file.tell(), run.sizes))
            with run.file.open("rb") as written:
                shutil.copyfileobj(written, self._file)
            run.file.unlink()
            self._count += run.count

    def __iter__(self) -> Iterator[T]:
        """All values in order; equal ones in the order of the runs."""
        runs = [self._values(start, sizes) for start, sizes in self._runs]
        return heapq.merge(*runs, self._held, key=self._key)

    def _values(self, start: int, sizes: Sequence[int]) -> Iterator[T]:
        for size in sizes:
            self._file.seek(start)
            yield from pickle.loads(self._file.read(size))
            start += size

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> T: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[T]: ...
    def __getitem__(self, index: int | slice) -> T | Sequence[T]:
        """By reading all that stand before: meant for the first few."""
        if isinstance(index, slice):
            return tuple(islice(self, *index.indices(self._count)))
        if not -self._count <= index < self._count:
            raise IndexError(index)
        return next(islice(self, index % self._count, None))
