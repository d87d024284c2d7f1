"""The command: its help at once, and everything else by the framework of `application.py`."""

from __future__ import annotations

import os
import sys

TYPE_CHECKING = False  # as type checkers read it: importing `typing` takes longer than writing the help
if TYPE_CHECKING:
    from typing import NoReturn

# Name -> what the list of commands says. The command is the function of that name in `cli/commands/NAME.py` (dashes are
# underscores there); kept here too so that `--help` imports none of them.
COMMANDS = {
    "check": "Check pathway, overlay, clinic and rule files.",
    "pathways": "List the pathways, compare two, or print one for signature.",
    "compile": "Compile a pathway for one patient into a Bundle.",
    "validate": "Validate files as FHIR R4 (4.0.1).",
    "push": "Merge plans into a FHIR server.",
    "move": "Move surgery: one command re-dates a plan, and says whom to call.",
    "withdraw": "Take a plan back: surgery cancelled, transferred, died.",
    "history": "The versions of a plan, and what each changed.",
    "gaps": "Compare planned with actual: who missed what.",
    "medicines": "Which medicines pause, and the form to sign.",
    "issues": "Write the gaps to the server as DetectedIssue and Task.",
    "letters": "Letters and call scripts about the gaps.",
    "measures": "The month in figures, listed by case.",
    "note": "Record what a person decided or did.",
    "sheet": "The patient's dated sheet.",
    "calendar": "The patient's calendar (iCalendar).",
    "server": "What a server can do, and how that was found out.",
    "export": "Export a caseload from a server for gaps ($export).",
    "explain": "What a code means, or why an item has its date.",
    "sandbox": "Serve the embedded FHIR R4 server.",
    "demo": "Run the whole job for an invented patient.",
}
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
    """The console script."""
    sys.exit(main(sys.argv[1:]))
