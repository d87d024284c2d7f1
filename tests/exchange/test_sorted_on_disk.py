"""What several processes sorted is one sorted sequence, whatever its length, and leaves nothing behind."""

from __future__ import annotations

import gc
import heapq
from operator import itemgetter
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waykeeper.exchange import sorted_on_disk
from waykeeper.exchange.sorted_on_disk import AT_ONCE, SortedOnDisk, write_run

PAIRS = st.lists(st.tuples(st.integers(0, 9), st.text(max_size=3)), max_size=30)


def made(folder: Path, runs, held=()):
    written = [write_run(sorted(run, key=itemgetter(0)), folder / str(n)) for n, run in enumerate(runs)]
    return SortedOnDisk(written, itemgetter(0), sorted(held, key=itemgetter(0)))


@given(st.lists(PAIRS, max_size=4), PAIRS, st.integers(1, 5))
def test_it_is_the_merge_of_its_runs_as_often_as_asked(tmp_path_factory, runs, held, at_once):
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sorted_on_disk, "AT_ONCE", at_once)
        found = made(tmp_path_factory.mktemp("runs"), runs, held)
        sequences = [sorted(run, key=itemgetter(0)) for run in (*runs, held)]
        wanted = list(heapq.merge(*sequences, key=itemgetter(0)))  # the reference: all in memory
        assert list(found) == list(found) == wanted
        assert len(found) == len(wanted)
        assert [found[n] for n in range(-len(wanted), len(wanted))] == wanted * 2
        assert found[1:4] == tuple(wanted[1:4])
        with pytest.raises(IndexError):
            found[len(wanted)]


def test_two_readers_do_not_disturb_each_other(tmp_path):
    found = made(tmp_path, [[(n, "a") for n in range(3 * AT_ONCE)], [(n, "b") for n in range(AT_ONCE)]])
    pairs = list(zip(found, found, strict=True))
    assert len(pairs) == 4 * AT_ONCE and all(a == b for a, b in pairs)


def test_the_files_of_the_runs_are_gone_and_its_own_has_no_name(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    found = made(tmp_path, [[(1, "a")], []])
    assert list(tmp_path.iterdir()) == [] and list(found) == [(1, "a")]
    file = found._file
    del found
    gc.collect()
    assert file.closed
