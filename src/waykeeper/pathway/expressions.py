"""FHIRPath of facts: does it parse, and can it be answered from a record and the day of surgery alone?"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache, lru_cache
from typing import Any

from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.findings.syntax import in_words
from waykeeper.pathway.reader import Node

LONGEST = 2_000  # characters; the grammar's parser is slow
VARIABLES = frozenset({"surgery", "context", "resource", "ucum", "sct", "loinc"})
Problem = tuple[str, int, str, str]  # code, offset, details, help

_CLOCKS = {"today", "now", "timeOfDay"}


def check_expression(node: Node, found: list[Finding]) -> None:
    """Add what is wrong with one expression, at its place inside the text."""
    for code, offset, details, remedy in _problems(node.text):
        found.append(finding(code, details, node.inside(offset), remedy))


@lru_cache(maxsize=1024)
def _problems(text: str) -> tuple[Problem, ...]:
    if len(text) > LONGEST:
        return (("WKP413", LONGEST, f"the FHIRPath has {len(text)} characters, at most {LONGEST}", ""),)
    try:
        errors, tree = _parse(text)
    except RecursionError:
        errors, tree = [(0, "nested too deep")], None
    if errors:
        return (("WKP413", errors[0][0], f"not FHIRPath: {errors[0][1]}", ""),)
    return tuple(_faults(tree))


@cache
def _classes() -> tuple[Any, Any]:
    """The generated lexer and parser. Imported late: 0.2 s."""
    from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
    from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

    return FHIRPathLexer, FHIRPathParser


@cache
def _known() -> tuple[frozenset[str], frozenset[str]]:
    """The functions that can be evaluated, and the types of R4."""
    from fhirpathpy.engine.invocations import invocation_registry
    from fhirpathpy.models import models

    return frozenset(n for n in invocation_registry if n.isalpha()), frozenset(models["r4"]["type2Parent"])


def _parse(text: str) -> tuple[list[tuple[int, str]], Any]:
    """Offsets and messages of syntax errors, and the parse tree."""
    from antlr4 import CommonTokenStream, InputStream  # type: ignore[import-untyped]
    from antlr4.error.ErrorListener import ErrorListener  # type: ignore[import-untyped]

    problems: list[tuple[int, str]] = []

    class _Listener(ErrorListener):  # type: ignore[misc] # the library has no types
        def syntaxError(self, *told: Any) -> None:  # noqa: N802 - the library's name
            _, _, line, column, msg, _ = told
            start = sum(len(part) + 1 for part in text.split("\n")[: line - 1])
            problems.append((min(start + column, len(text)), in_words(msg)))

    lexer_class, parser_class = _classes()
    lexer = lexer_class(InputStream(text))
    parser = parser_class(CommonTokenStream(lexer))
    for machine in (lexer, parser):
        machine.removeErrorListeners()
        machine.addErrorListener(_Listener())
    return problems, parser.entireExpression()


def _faults(tree: Any) -> Iterator[Problem]:
    """Clocks, unknown variables, unknown functions and unknown types, with their offsets."""
    functions, types = _known()
    for kind, name, offset in _names(tree):
        if kind == "function" and name in _CLOCKS:
            details = f"{name}() reads the clock, the same record would answer differently tomorrow"
            yield "WKP414", offset, details, "Count from %surgery."
        elif kind == "function" and name not in functions:
            yield "WKP413", offset, f"FHIRPath has no function {name!r}", did_you_mean(name, functions)
        elif kind == "variable" and name not in VARIABLES:
            yield "WKP414", offset, f"unknown variable %{name}", did_you_mean(name, VARIABLES)
        elif kind == "root" and name[:1].isupper() and name not in types:
            yield "WKP413", offset, f"FHIR R4 has no type {name!r}", did_you_mean(name, types)


def _names(tree: Any) -> Iterator[tuple[str, str, int]]:
    """Names of a parse tree in the order of the text: (function | variable | root, name, offset)."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        kind = type(node).__name__
        if kind == "FunctnContext":
            yield "function", node.getChild(0).getText(), node.start.start
        elif kind == "ExternalConstantContext":
            yield "variable", node.getChild(1).getText().strip("`'"), node.start.start
        elif kind == "InvocationTermContext" and type(node.getChild(0)).__name__ == "MemberInvocationContext":
            yield "root", node.getText().strip("`"), node.start.start
        waiting += reversed([node.getChild(i) for i in range(node.getChildCount())])
