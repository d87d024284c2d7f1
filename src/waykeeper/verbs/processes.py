"""Processes of our own for work that is many: started afresh, and ended at once where something goes wrong."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from waykeeper.findings import WaykeeperError, finding

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

T = TypeVar("T")
TURN = 0.5  # seconds of one wait
LOST = "a process that worked on a part ended before it was done; the system may have ended it for want of memory"


@contextmanager
def processes(jobs: int, begin: Callable[..., None] | None = None, *given: Any) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes that are started afresh, as a fork would copy open connections and held locks.

    begin   called with `given` in each process before its first work

    Whatever goes wrong in the block ends them at once: they hold nothing that must be finished. Raises WaykeeperError
    WKC902 where the system ended one of them, or memory was not enough.
    """
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import active_children, get_context

    others = set(active_children())
    try:
        with ProcessPoolExecutor(jobs, get_context("spawn"), _begun, (begin, given)) as pool:
            try:
                yield pool
            except BaseException:
                for child in set(active_children()) - others:
                    child.terminate()
                raise
    except BrokenProcessPool:
        raise WaykeeperError(finding("WKC902", LOST)) from None


def result_of(done: Future[T]) -> T:
    """The result of work in a process, waited for in short turns. Raises what the work raised.

    A signal that comes in the moment in which a thread begins to wait is answered when the wait ends, not before: about
    one of a hundred where other threads are at work (seen with CPython 3.11). So no wait is long.
    """
    from concurrent.futures import wait

    while not done.done():
        wait([done], TURN)
    return done.result()


def _begun(begin: Callable[..., None] | None, given: tuple[Any, ...]) -> None:
    from threading import Thread

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # an interrupt is answered by the process that prints
    Thread(target=_end_with_parent, daemon=True).start()
    if begin is not None:
        begin(*given)


def _end_with_parent() -> None:
    """End where the process that gives the work was ended itself (kill -9, want of memory): nobody asks any more.

    By itself the pool would wait for more work for ever, and so would whoever reads what we print.
    """
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
