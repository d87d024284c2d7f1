"""One function a command: the public Python API of Waykeeper."""

from waykeeper.verbs.commands import (
    Compiled,
    GapReport,
    PathwayEntry,
    calendar,
    check,
    compile,  # noqa: A004 - the verb of the trade and of the command
    explain,
    gaps,
    note,
    pathways,
    push,
    sandbox,
    sheet,
)
from waykeeper.verbs.validating import Validated, validate_files

__all__ = [
    "Compiled",
    "GapReport",
    "PathwayEntry",
    "Validated",
    "calendar",
    "check",
    "compile",
    "explain",
    "gaps",
    "note",
    "pathways",
    "push",
    "sandbox",
    "sheet",
    "validate_files",
]
