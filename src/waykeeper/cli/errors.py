"""The one error boundary of the process: findings and failures become lines on stderr and an exit code.

Exit codes:

    0    done
    1    findings at or above the threshold, or a server's refusal
    2    could not run: bad option, unreadable file, bad credentials, bug
    3    sent, but no answer came, or it could not be read back or told: may have been applied; run again
    130  interrupted, or ended by the system (SIGTERM)
"""

from __future__ import annotations

import os
import re
import signal
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from waykeeper.findings import Finding

_LONGEST_NAME = 24
DONE, FOUND, CANNOT, NO_ANSWER, INTERRUPTED = 0, 1, 2, 3, 130


def report(findings: Iterable[Finding]) -> None:
    """Each finding as a line on stderr."""
    for one in findings:
        print(one.line(), file=sys.stderr)


def guarded(work: Callable[[], int], debug: bool) -> int:
    """Run a command; whatever goes wrong ends in one clear sentence and an exit code."""
    try:
        with _ended_as_by_a_person():
            return work()
    except KeyboardInterrupt:
        return interrupted()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or Python complains at exit
        return DONE
    except Exception as error:
        return _failed(error, debug)


@contextmanager
def _ended_as_by_a_person() -> Iterator[None]:
    """Told to end by the system (SIGTERM): as by a person, so that temporary copies of records do not stay behind.

    Afterwards that means again what it meant to whoever runs a command line in a process of their own.
    """
    try:
        before = signal.signal(signal.SIGTERM, _told_to_end)
    except ValueError:  # not the main thread: whoever started it answers signals
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _told_to_end(*_: object) -> None:
    raise KeyboardInterrupt


def interrupted() -> int:
    """Say that a person ended it; the exit code."""
    print("interrupted", file=sys.stderr)
    return INTERRUPTED


def _failed(error: Exception, debug: bool) -> int:
    from waykeeper.findings import WaykeeperError, finding

    if debug:
        traceback.print_exc()
    if isinstance(error, WaykeeperError):
        report(error.findings)
        return int(getattr(error, "exit_code", CANNOT))
    if isinstance(error, MemoryError):
        report([finding("WKC902", "the system gave no more memory")])
        return CANNOT
    if isinstance(error, OSError) and isinstance(error.filename, str):  # no path at all: a whole text, say
        named = error.filename if len(error.filename) <= _LONGEST_NAME else f"{error.filename[:_LONGEST_NAME]}..."
        report([finding("WKC101", f"{named!r}: {(error.strerror or 'unknown').lower()}")])
        return CANNOT
    report([finding("WKC901", f"{type(error).__name__} in Waykeeper itself")])
    return CANNOT


def misused(error: Any) -> int:
    """A command line that cannot be read (the argument parser's exception), as one line and an exit code."""
    from waykeeper.findings import finding

    message = " ".join(str(error.format_message()).split()).rstrip(".")
    context = getattr(error, "ctx", None)
    if message.startswith("Usage:") and context is not None:  # called without any argument
        print(context.get_help(), file=sys.stderr)
        return CANNOT
    message = re.sub(r" \(Possible options?: (.+)\)$", r". Did you mean \1?", message)
    message = re.sub(r"'[^']*' is not a valid int\b.*", "it is no whole number", message)
    message = message[:1].lower() + message[1:]
    details, _, hint = message.partition(". ")
    see = f"See {context.command_path} --help." if context is not None else ""
    report([finding("WKC205", details, help=" ".join(part for part in (_ended(hint), see) if part))])
    return CANNOT


def _ended(sentence: str) -> str:
    return sentence if not sentence or sentence[-1] in ".?" else f"{sentence}."
