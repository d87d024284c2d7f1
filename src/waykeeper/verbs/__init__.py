"""One function a command: the public Python API. `waykeeper.compile(...)` and the command `waykeeper compile` are one.

Every function takes what the command takes, returns a value, prints nothing, and raises WaykeeperError with findings
where it cannot do its job. Each lives in a module of its own, imported when it is first used: `validate` in a
continuous build must not wait for the medicine rules.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from waykeeper.verbs.checking import check
    from waykeeper.verbs.comparing import GapReport, gaps
    from waykeeper.verbs.compiling import Compiled, compile  # noqa: A004 - the verb of the trade and of the command
    from waykeeper.verbs.compiling_many import compile_all
    from waykeeper.verbs.examining import server
    from waykeeper.verbs.explaining import explain
    from waykeeper.verbs.exporting import export
    from waykeeper.verbs.flagging import issues
    from waykeeper.verbs.listing import PathwayEntry, pathways
    from waykeeper.verbs.measuring import Measures, measures
    from waykeeper.verbs.moving import Move, move
    from waykeeper.verbs.moving_many import NotMoved, move_all
    from waykeeper.verbs.noting import note
    from waykeeper.verbs.noting_many import NoteOutcome, note_all
    from waykeeper.verbs.printing import calendar, sheet
    from waykeeper.verbs.proposing import medicines
    from waykeeper.verbs.pushing import push
    from waykeeper.verbs.pushing_many import push_all
    from waykeeper.verbs.recounting import history
    from waykeeper.verbs.reviewing import compare_pathways, review_pathway
    from waykeeper.verbs.serving import sandbox
    from waykeeper.verbs.validating import Validated, validate_files
    from waykeeper.verbs.withdrawing import withdraw
    from waykeeper.verbs.writing import Letters, letters

__all__ = [
    "Compiled",
    "GapReport",
    "Letters",
    "Measures",
    "Move",
    "NotMoved",
    "NoteOutcome",
    "PathwayEntry",
    "Validated",
    "calendar",
    "check",
    "compare_pathways",
    "compile",
    "compile_all",
    "explain",
    "export",
    "gaps",
    "history",
    "issues",
    "letters",
    "measures",
    "medicines",
    "move",
    "move_all",
    "note",
    "note_all",
    "pathways",
    "push",
    "push_all",
    "review_pathway",
    "sandbox",
    "server",
    "sheet",
    "validate_files",
    "withdraw",
]

# Name -> its module here. Modules are gerunds, so that importing one never puts a module where its verb should be.
_MODULES = {
    "Compiled": "compiling",
    "GapReport": "comparing",
    "Letters": "writing",
    "Measures": "measuring",
    "Move": "moving",
    "NotMoved": "moving_many",
    "PathwayEntry": "listing",
    "Validated": "validating",
    "calendar": "printing",
    "check": "checking",
    "compare_pathways": "reviewing",
    "compile": "compiling",
    "compile_all": "compiling_many",
    "explain": "explaining",
    "export": "exporting",
    "gaps": "comparing",
    "history": "recounting",
    "issues": "flagging",
    "letters": "writing",
    "measures": "measuring",
    "medicines": "proposing",
    "move": "moving",
    "move_all": "moving_many",
    "NoteOutcome": "noting_many",
    "note": "noting",
    "note_all": "noting_many",
    "pathways": "listing",
    "push": "pushing",
    "push_all": "pushing_many",
    "review_pathway": "reviewing",
    "sandbox": "serving",
    "server": "examining",
    "sheet": "printing",
    "validate_files": "validating",
    "withdraw": "withdrawing",
}


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return getattr(import_module(f"waykeeper.verbs.{_MODULES[name]}"), name)
    raise AttributeError(f"module 'waykeeper.verbs' has no attribute {name!r}")
