"""Waykeeper: care pathways as dated FHIR R4 plans, kept on a server and laid beside what really happened.

The verbs of the command line are functions here: `waykeeper.compile(...)`, `waykeeper.gaps(...)` and so on. One
differs from its command: `waykeeper.validate(resource)` takes a resource (a dict, JSON, a `fhir.resources` model) and
returns its findings; files are validated by `waykeeper.validate_files(...)`. What cannot be done raises
`waykeeper.WaykeeperError`, whose `findings` say why; where it is a `waykeeper.NoAnswerError`, something was sent and
may have been carried out: call it again.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from waykeeper.version import VERSION

__version__ = VERSION

if TYPE_CHECKING:
    from waykeeper.exchange import NoAnswerError
    from waykeeper.findings import Finding, WaykeeperError
    from waykeeper.validate import validate
    from waykeeper.verbs import (
        calendar,
        check,
        compare_pathways,
        compile,  # noqa: A004 - the verb of the trade and of the command
        compile_all,
        explain,
        export,
        gaps,
        history,
        issues,
        letters,
        measures,
        medicines,
        move,
        move_all,
        note,
        note_all,
        pathways,
        push,
        push_all,
        review_pathway,
        sandbox,
        server,
        sheet,
        validate_files,
        withdraw,
    )

__all__ = [
    "Finding",
    "NoAnswerError",
    "WaykeeperError",
    "__version__",
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
    "validate",
    "validate_files",
    "withdraw",
]

_PACKAGES = ("gaps", "medicines", "sandbox", "validate")  # rooms with the name of a command; see callable_package.py
_PLACES = {"Finding": "findings", "NoAnswerError": "exchange", "WaykeeperError": "findings"}  # the others are verbs


def __getattr__(name: str) -> Any:
    """The public names, imported when first used, so that `import waykeeper` and `--help` stay quick."""
    if name in _PACKAGES:
        return import_module(f"waykeeper.{name}")
    if name in __all__:
        return getattr(import_module(f"waykeeper.{_PLACES.get(name, 'verbs')}"), name)
    raise AttributeError(f"module 'waykeeper' has no attribute {name!r}")


def __dir__() -> list[str]:
    """The public names, imported or not."""
    return sorted({*globals(), *__all__})
