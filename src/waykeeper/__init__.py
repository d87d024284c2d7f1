"""Waykeeper: care pathways as dated FHIR R4 plans, kept on a server and laid beside what really happened.

The verbs of the command line are functions here: `waykeeper.compile(...)`, `waykeeper.gaps(...)` and so on.
`waykeeper.validate_resource(resource)` gives the findings on one FHIR resource.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from waykeeper.version import VERSION

__version__ = VERSION

if TYPE_CHECKING:
    from waykeeper.verbs import (
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
        validate,
    )

__all__ = [
    "__version__",
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
    "validate",
]


def __getattr__(name: str) -> Any:
    """The verbs, imported when first used, so that `import waykeeper` and `--help` stay quick."""
    if name in __all__:
        from waykeeper import verbs

        return getattr(verbs, name)
    raise AttributeError(f"module 'waykeeper' has no attribute {name!r}")
