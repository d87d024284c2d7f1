"""The FHIRPath engine for the invariants that have no hand-written test: loaded and compiled on first use."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from typing import Any

from waykeeper.findings.syntax import in_words
from waykeeper.validate.run import Run

_TRACE = re.compile(r"\.trace\('[a-z]*'(, [a-z]+)?\)")

Test = Callable[[dict[str, Any], Run], object]


class NotEvaluated(Exception):  # noqa: N818 - a state of knowledge, as `slicing.NotTold`, and no error of ours
    """The engine cannot tell: no FHIRPath, a function or variable that it does not have, values that do not fit."""


def fhirpath_test(expression: str, base: str) -> Test:
    """A test by FHIRPath of one of R4's own invariants; empty or false is broken, as the official validator holds.

    `base` is the type or backbone element that the expression stands on. A value on which the engine fails is
    not called broken: R4's expressions are known to work, so such a value is misshapen, and reported as that.
    """

    def test(value: dict[str, Any], run: Run) -> bool:
        try:
            return evaluate(expression, base, value, run)
        except NotEvaluated:
            return True

    return test


def evaluate(expression: str, base: str, value: Any, run: Run) -> bool:
    """Whether the expression comes out true (or as anything else that is not false and not empty).

    `value` is an object or a primitive, `base` its type or path. Raises NotEvaluated where it cannot be told.
    """
    from fhirpathpy.engine.nodes import ResourceNode

    context = {"resource": run.resource, "rootResource": run.root, "context": value}
    try:
        node = ResourceNode.create_node(value, base)  # type: ignore[no-untyped-call]
        found = _compiled(expression)(node, context)
    except NotEvaluated:
        raise
    except Exception as error:
        raise NotEvaluated(_reason(error)) from None
    return bool(found) and found[0] is not False


_REASONS = (
    ("Not implemented: ", "the function {} is not known here"),
    ("Attempting to access an undefined environment variable: ", "the variable %{} is not known here"),
)


def _reason(error: Exception) -> str:
    """Why the engine gave up; its other messages quote values of the resource and are not repeated."""
    text = str(error).partition("\n")[0]
    said = (words.format(text.removeprefix(start)[:80]) for start, words in _REASONS if text.startswith(start))
    return next(said, "the engine could not work it out on this value")


@cache
def _compiled(expression: str) -> Callable[[Any, dict[str, Any]], list[Any]]:
    import fhirpathpy
    from fhirpathpy.models import models

    fault = _syntax_fault(expression)
    if fault:
        raise NotEvaluated(f"no FHIRPath: {fault}")
    quiet = _TRACE.sub("", expression)  # the engine prints traces
    if "$this" in quiet:
        quiet = f"select({quiet}\n)"  # at the root the engine knows no $this within the arguments of a function
    compiled: Callable[[Any, dict[str, Any]], list[Any]] = fhirpathpy.compile(quiet, models["r4"])
    return compiled


def _syntax_fault(expression: str) -> str:
    """The first syntax error of an expression, or "": the engine itself mends what it reads and says nothing."""
    from antlr4 import CommonTokenStream, InputStream  # type: ignore[import-untyped]
    from antlr4.error.ErrorListener import ErrorListener  # type: ignore[import-untyped]
    from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
    from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

    faults: list[str] = []

    class _Listener(ErrorListener):  # type: ignore[misc] # the library has no types
        def syntaxError(self, *told: Any) -> None:  # noqa: N802 - the library's name
            faults.append(in_words(str(told[4])))

    lexer = FHIRPathLexer(InputStream(expression))
    parser = FHIRPathParser(CommonTokenStream(lexer))
    for machine in (lexer, parser):
        machine.removeErrorListeners()
        machine.addErrorListener(_Listener())
    parser.entireExpression()  # type: ignore[no-untyped-call]
    return faults[0] if faults else ""
