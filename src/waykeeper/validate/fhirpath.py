"""The FHIRPath engine for the invariants that have no hand-written test: loaded and compiled on first use."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from typing import Any

from waykeeper.validate.run import Run

_TRACE = re.compile(r"\.trace\('[a-z]*'(, [a-z]+)?\)")

Test = Callable[[dict[str, Any], Run], object]


def fhirpath_test(expression: str, base: str) -> Test:
    """A test by FHIRPath; empty or false is a broken invariant, as the official validator holds.

    `base` is the type or backbone element that the expression stands on. A value on which the engine fails is
    not called broken: such a value is misshapen, and reported as that.
    """

    def test(value: dict[str, Any], run: Run) -> bool:
        return evaluate(expression, base, value, run)

    return test


def evaluate(expression: str, base: str, value: dict[str, Any], run: Run) -> bool:
    """Whether the expression comes out true (or as anything else that is not false and not empty)."""
    from fhirpathpy.engine.nodes import ResourceNode

    context = {"resource": run.resource, "rootResource": run.root, "context": value}
    try:
        node = ResourceNode.create_node(value, base)  # type: ignore[no-untyped-call]
        found = _compiled(expression)(node, context)
    except Exception:
        return True
    return bool(found) and found[0] is not False


@cache
def _compiled(expression: str) -> Callable[[Any, dict[str, Any]], list[Any]]:
    import fhirpathpy
    from fhirpathpy.models import models

    quiet = _TRACE.sub("", expression)  # the engine prints traces
    compiled: Callable[[Any, dict[str, Any]], list[Any]] = fhirpathpy.compile(quiet, models["r4"])
    return compiled
