"""What one command line knows: its settings, whether tracebacks are wanted, and how a command writes and ends."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from waykeeper.cli.errors import DONE, FOUND, guarded
from waykeeper.cli.settings import ServerEntry, Settings
from waykeeper.counting import counted

if TYPE_CHECKING:
    from waykeeper.exchange.report import PushReport

CAUTION = (
    "Waykeeper proposes and reminds; it never prescribes. Licensed prescribers and local policy decide, "
    "and every date is checked by a person before it is relied on."
)
debug = False
stdout_taken = False  # a document of this command goes to standard output, so nothing else may
settings = Settings()


def end(work: Callable[[], int]) -> NoReturn:
    """Do the command's work and leave with its exit code."""
    with _requests_shown() if debug else nullcontext():
        code = guarded(work, debug)
    raise typer.Exit(code)


@contextmanager
def _requests_shown() -> Iterator[None]:
    """Each request to a server as a line on stderr: method, type, status, milliseconds, id; no patient, no secret."""
    import logging

    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(logging.Formatter("%(name)s: %(message)s"))
    log = logging.getLogger("waykeeper.exchange")  # not those of the libraries below it: they print whole addresses
    before = log.level, log.propagate
    log.addHandler(handler)
    log.setLevel(logging.DEBUG)
    log.propagate = False
    try:
        yield
    finally:  # the next command line of this process need not want it
        log.removeHandler(handler)
        log.setLevel(before[0])
        log.propagate = before[1]


@contextmanager
def reports_shown(format_: str) -> Iterator[tuple[list[PushReport], Callable[[PushReport], None]]]:
    """Reports of pushes, and what takes each: as text at once, as JSON at the end even if a later plan is refused."""
    from waykeeper.verbs.output import as_json

    reports: list[PushReport] = []

    def reported(one: PushReport) -> None:
        reports.append(one)
        if format_ == "text":
            put(one.text())

    try:
        yield reports, reported
    finally:
        if format_ == "json" and reports:
            put(as_json([one.json() for one in reports]))


def put(text: str | Iterable[str]) -> None:
    """The payload, on standard output; on standard error where an output option took that (`--csv -`).

    There it is told beside the document that was asked for: where nothing can be told, the command has not failed.
    """
    from waykeeper.exchange.files import write_whole

    if stdout_taken:
        if sys.stderr is not None:  # a job may have closed it
            with suppress(OSError):
                sys.stderr.writelines((text,) if isinstance(text, str) else text)
    else:
        write_whole("-", text)


def summary(findings: Any) -> str:
    """`1 error, 2 warnings, 0 notes`."""
    words = {"error": "error", "warning": "warning", "information": "note"}
    counts = {word: sum(1 for f in findings if f.severity == severity) for severity, word in words.items()}
    return ", ".join(counted(n, word) for word, n in counts.items())


def level(findings: Any, fail_level: str) -> int:
    """The exit code of findings at or above the level, `error` or `warning`."""
    grave = {"error"} if fail_level == "error" else {"error", "warning"}
    return FOUND if any(f.severity in grave for f in findings) else DONE


def server_of(text: str, option: str) -> ServerEntry:
    """The server of an option, "" for none: by its address, or by its name in the settings."""
    return settings.server(text, option) if text else ServerEntry("")


def patient_of(text: str, clinic: str = "") -> str:
    """A patient's identifier as SYSTEM|VALUE: of a number alone the system is that of the clinic, as an option or the
    settings name it. Raises WaykeeperError for a clinic that cannot be read."""
    chosen = clinic or settings.clinic
    if not text or "|" in text or not chosen:
        return text
    from waykeeper.verbs.inputs import clinic_of, with_system

    return with_system(text, clinic_of(chosen).patient_identifier_system)


def source_of(text: str) -> str:
    """A source of `gaps`: the server of a name or an address, as the settings know it; else what was given."""
    return settings.server(text, "--from").url if _is_server(text) else text


def one_source(bundle: str, from_: str) -> str:
    """The server of a sheet: as given; without bundle and option the first server of the settings."""
    chosen = from_ or ("" if bundle else next((one for one in settings.from_ if _is_server(one)), ""))
    return server_of(chosen, "--from").url


def _is_server(text: str) -> bool:
    from waykeeper.verbs.words import is_url

    return text in settings.servers or is_url(text)
