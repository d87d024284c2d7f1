"""The command: its help at once, and everything else by the framework of `application.py`."""

from __future__ import annotations

import gc
import os
import sys
from pathlib import Path

from waykeeper.cli.command_table import COMMANDS

TYPE_CHECKING = False  # as type checkers read it: importing `typing` takes longer than writing the help
if TYPE_CHECKING:
    from typing import NoReturn

# What the framework says above the list of commands, for a terminal of 80 columns or more; a test compares the two.
_HELP = """\
Usage: waykeeper [OPTIONS] COMMAND [ARGS]...

  Care pathways as dated FHIR R4 plans, and who missed what. Waykeeper
  proposes and reminds; it never prescribes. Licensed prescribers and local
  policy decide, and every date is checked by a person before it is relied on.

Options:
  --debug               Show tracebacks of failures.
  --version             Show the versions.
  --install-completion  Install completion for the current shell.
  --show-completion     Show completion for the current shell, to copy it or
                        customize the installation.
  -h, --help            Show this message and exit.

Commands:
"""
_WIDE = 80  # columns: the framework writes no wider


def main(arguments: list[str]) -> int:
    """One command line in this process; its exit code."""
    if arguments in (["--help"], ["-h"]) and _columns() >= _WIDE:
        try:
            print(help_text(), end="", flush=True)
            return 0
        except OSError:  # nobody reads it: the framework knows how to end
            pass
    from waykeeper.cli.application import called

    return called(arguments)


def help_text() -> str:
    """The list of commands with what stands above it, as the framework writes it."""
    width = max(map(len, COMMANDS))
    return _HELP + "".join(f"  {name:{width}}  {said}\n" for name, said in COMMANDS.items())


def _columns() -> int:
    """The width of the terminal as the framework takes it: as the environment says, else as it is."""
    try:
        said = int(os.environ.get("COLUMNS", ""))
    except ValueError:
        said = 0
    if said > 0:
        return said
    try:
        return os.get_terminal_size(sys.stdout.fileno()).columns or _WIDE
    except (AttributeError, ValueError, OSError):  # a pipe, a file, or no such thing
        return _WIDE


def run() -> NoReturn:
    """The console script.

    What a command makes lives until it ends and has no cycles: of the caseload of a clinic a collection finds nothing,
    and looking took a fifth of the time. So it is looked for seldom.
    """
    gc.set_threshold(100_000, 50, 100)
    _with_streams()
    sys.exit(main(sys.argv[1:]))


def _with_streams() -> None:
    """Nowhere, for each standard stream that whoever started this has closed, as a job may: nobody reads it there.

    Without an error stream Python prints warnings into the payload, and without the others there is nothing to ask.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):  # the lowest free number is taken first
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open to the end
