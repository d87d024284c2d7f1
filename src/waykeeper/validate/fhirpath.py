"""The FHIRPath engine for the invariants that have no hand-written test: loaded and compiled on first use."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

from waykeeper.validate.run import Run

Test = Callable[[dict[str, Any], Run], object]


def fhirpath_test(expression: str, base: str) -> Test:
    """A test by FHIRPath; empty or false is a broken invariant, as the official validator holds."""

    def test(value: dict[str, Any], run: Run) -> bool:
        try:
            found = _compiled(expression, base)(value, {"resource": run.resource, "rootResource": run.root, "context": value, "ucum": "http://unitsofmeasure.org"})  # noqa: E501
        except Exception:  # noqa: BLE001 - the engine raises bare exceptions on odd data; the shape is reported elsewhere
            return True
        return bool(found) and found[0] is not False

    return test


@cache
def _compiled(expression: str, base: str) -> Callable[[Any, dict[str, Any]], list[Any]]:
    import fhirpathpy
    from fhirpathpy.models import models

    return fhirpathpy.compile({"base": base, "expression": expression}, models["r4"])  # type: ignore[no-any-return]
