"""FHIRPath over one record, quickly: what an expression can not see is left away, what was found is remembered.

The engine is fhirpathpy; here an expression is only taken apart where that can not change its value:

- `a or b` is true where either is; both are evaluated, because an error in one makes the whole untrue;
- `iif(WORDS.matches('...'), X, false)` asks the engine for WORDS once for each record, and for X only where they match;
- what starts everywhere from a type (`Condition.where(...)`) is shown the resources of those types only;
- what reads resources only by the names of their elements has the same value for equal elements, whoever's they are: it
  is remembered by those elements (`Condition.where(...).exists()` for each resource by itself).

Every other expression goes to the engine as it is, over all resources.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

import orjson
from fhirpathpy import apply_parsed_path
from fhirpathpy.models import models
from fhirpathpy.parser import parse

Tree = Mapping[str, Any]
_MODEL = models["r4"]
_parse: Callable[[str], Tree] = parse
_apply: Callable[..., list[Any]] = apply_parsed_path
REMEMBERED = 8192  # values by elements read
_AT_ROOT = {"iif"}  # functions whose arguments see what they stand on, without a name before them
_FROM_ROOT = {"union", "exclude", "intersect", "subsetOf", "supersetOf", "combine"}  # the engine's "AnyAtRoot"
_FOCUS = {"ThisInvocation", "IndexInvocation", "TotalInvocation"}
_VARIABLES = {"surgery"}  # the others (%context, %resource) hold the whole record
_TRANSPARENT = {"InvocationExpression", "TermExpression", "UnionExpression", "OrExpression", "AndExpression"}
_ONLY_TYPES = {
    "TermExpression",
    "ParenthesizedTerm",
    "UnionExpression",
    "InvocationTerm",
    "MemberInvocation",
    "Identifier",
}
_READS_BY_NAME = {
    "empty", "exists", "iif", "join", "length", "lower", "matches", "not", "ofType", "select", "startsWith",
    "substring", "toString", "upper", "where",
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """A part of an expression, and what is known of it.

    types   the resource types that it can see, None for all
    names   the elements that it reads, where it reads resources by name only
    each    true of many resources exactly where it is true of one of them
    dated   its value depends on the day of surgery
    """

    key: str
    tree: Tree
    types: frozenset[str] | None = None
    names: frozenset[str] | None = None
    each: bool = False
    dated: bool = False


@dataclass(frozen=True, slots=True)
class Term:
    """One side of `or`: `value`, or where `words` is there, `value` only if the words match, else false."""

    value: Part
    words: Part | None = None
    pattern: re.Pattern[str] | None = None


class Evaluation:
    """One record, the day of surgery, and what was found in it so far."""

    def __init__(self, resources: Sequence[Mapping[str, Any]], surgery: date | None) -> None:
        """`resources` in their order; they are not changed."""
        self._resources = resources
        self._surgery = surgery.isoformat() if surgery else ""
        self._found: dict[str, list[Any] | Exception] = {}
        self._texts: dict[tuple[int, frozenset[str]], bytes] = {}

    def true(self, expression: str) -> bool:
        """True if the expression comes out as one `true`; anything else, an error too, is not."""
        if not expression:
            return False
        try:
            values = [self._term(term) for term in terms(expression)]
        except Exception:
            return False
        if len(values) == 1:
            return values[0] == [True]
        boolean = all(not v or (len(v) == 1 and isinstance(v[0], bool)) for v in values)
        return boolean and [True] in values

    def _term(self, term: Term) -> list[Any]:
        if term.words is None or term.pattern is None:
            return self._part(term.value)
        words = self._part(term.words)
        if not words:
            return [False]
        if len(words) > 1 or not isinstance(words[0], str):
            raise TypeError("matches() needs one text")
        return self._part(term.value) if term.pattern.search(words[0]) else [False]

    def _part(self, part: Part) -> list[Any]:
        if part.key not in self._found:
            try:
                self._found[part.key] = self._value(part)
            except Exception as error:  # the engine raises bare exceptions on odd data
                self._found[part.key] = error
        found = self._found[part.key]
        if isinstance(found, Exception):
            raise found
        return found

    def _value(self, part: Part) -> list[Any]:
        seen = self._seen(part.types)
        try:
            read = [self._read(resource, part.names) for resource in seen] if part.names is not None else None
        except TypeError:  # numbers that JSON text would not keep as they are
            read = None
        if read is None:
            return _evaluated(part, seen, self._surgery)
        surgery = self._surgery if part.dated else ""
        if part.each:
            values = [_remembered(part, (elements,), surgery) for elements in read]
            return [[True] in values]
        return _remembered(part, tuple(read), surgery)

    def _seen(self, types: frozenset[str] | None) -> Sequence[Mapping[str, Any]]:
        """The resources that a part can see; never none of many, since some functions answer differently on nothing."""
        if types is None:
            return self._resources
        kept = [r for r in self._resources if r.get("resourceType") in types]
        return kept or self._resources[:1]

    def _read(self, resource: Mapping[str, Any], names: frozenset[str]) -> bytes:
        """The elements of these names, in every type that `name[x]` may have, as text."""
        place = (id(resource), names)
        if place not in self._texts:
            starts = (*names, *(f"_{n}" for n in names), "resourceType")
            self._texts[place] = orjson.dumps({k: v for k, v in resource.items() if k.startswith(starts)})
        return self._texts[place]


def _evaluated(part: Part, resources: Sequence[Mapping[str, Any]], surgery: str) -> list[Any]:
    given: dict[str, Any] = {"surgery": surgery or []}
    copies = [dict(r) for r in resources]  # the engine may add to what it is given
    return list(_apply(copies, {"children": [part.tree]}, given, _MODEL))


@lru_cache(maxsize=REMEMBERED)
def _remembered(part: Part, read: tuple[bytes, ...], surgery: str) -> list[Any]:
    """The value for these elements. An error is not remembered."""
    return _evaluated(part, [orjson.loads(elements) for elements in read], surgery)


@lru_cache(maxsize=1024)
def terms(expression: str) -> tuple[Term, ...]:
    """The sides of `or` at the top of an expression. Raises what the parser raises where it does not parse."""
    return tuple(_term(tree) for tree in _sides(_parse(expression)["children"][0]))


def _sides(tree: Tree) -> Iterator[Tree]:
    if tree["type"] == "OrExpression" and tree["terminalNodeText"] == ["or"]:
        for side in tree["children"]:
            yield from _sides(side)
    else:
        yield tree


def _term(tree: Tree) -> Term:
    name, arguments = _call(_inner(tree))
    if name == "iif" and len(arguments) == 3 and arguments[2].get("text") == "false":
        condition, value, _ = arguments
        words, pattern = _matching(condition)
        if words is not None and pattern is not None:
            return Term(_part(value), _part(words), pattern)
    return Term(_part(tree))


def _part(tree: Tree) -> Part:
    types = _types(tree)
    named = types is not None and _by_name(tree, True)
    names = frozenset(n for n in _members(tree) if not n[0].isupper()) if named else None
    return Part(
        json.dumps(tree, sort_keys=True), tree, types, names, named and _each(tree), "ExternalConstant" in str(tree)
    )


def _inner(tree: Tree) -> Tree:
    """The invocation of a term that is nothing else."""
    while tree["type"] in ("TermExpression", "InvocationTerm") and len(tree["children"]) == 1:
        tree = tree["children"][0]
    return tree


def _call(tree: Tree) -> tuple[str, Sequence[Tree]]:
    """The name and arguments of a function call, "" for anything else."""
    if tree["type"] != "FunctionInvocation":
        return "", ()
    name, *lists = tree["children"][0]["children"]
    return str(name["text"]), lists[0]["children"] if lists else ()


def _matching(tree: Tree) -> tuple[Tree | None, re.Pattern[str] | None]:
    """`WORDS.matches('literal')` as the words and the pattern, read as the engine reads them."""
    if tree["type"] != "InvocationExpression":
        return None, None
    words, called = tree["children"]
    name, arguments = _call(called)
    literal = str(arguments[0].get("text")) if len(arguments) == 1 else ""
    if name != "matches" or not re.fullmatch(r"'[^'\\]+'", literal):
        return None, None
    try:
        return words, re.compile(literal[1:-1], re.DOTALL)
    except re.error:
        return None, None


def _types(tree: Tree) -> frozenset[str] | None:
    """The resource types from which every path of the part starts; None where one may start from anything."""
    starts: set[str] = set()
    return frozenset(starts) if _starts(tree, starts) and starts else None


def _starts(tree: Tree, starts: set[str]) -> bool:
    kind = tree["type"]
    if kind == "InvocationExpression":  # what follows the first step sees only what the first step found
        return _starts(tree["children"][0], starts) and all(map(_closed, tree["children"][1:]))
    if kind == "MemberInvocation":
        name = str(tree["children"][0]["text"])
        starts.add(name)
        return name[0].isupper()
    if kind == "FunctionInvocation":
        name, arguments = _call(tree)
        return name in _AT_ROOT and all(_starts(argument, starts) for argument in arguments)
    if kind in _FOCUS:
        return False
    return _closed(tree) if kind == "ExternalConstant" else all(_starts(c, starts) for c in tree.get("children", ()))


def _closed(tree: Tree) -> bool:
    """True if nothing in it reaches back to the whole record."""
    if tree["type"] == "ExternalConstant":
        return str(tree["children"][0]["text"]).strip("`'") in _VARIABLES
    return _call(tree)[0] not in _FROM_ROOT and all(map(_closed, tree.get("children", ())))


def _by_name(tree: Tree, whole: bool) -> bool:
    """True if it reads resources by the names of their elements only; `whole`: it stands on resources."""
    kind, children = tree["type"], tree.get("children", ())
    if kind == "InvocationExpression":
        return _by_name(children[0], whole) and _by_name(children[1], whole and _is_whole(children[0]))
    if kind in _FOCUS:
        return not whole
    if kind == "FunctionInvocation":
        name, arguments = _call(tree)
        return name in _READS_BY_NAME and all(_by_name(argument, whole) for argument in arguments)
    compares = kind.endswith("Expression") and kind not in _TRANSPARENT
    if compares and whole and any(map(_is_whole, children)):
        return False
    return all(_by_name(child, whole) for child in children)


def _is_whole(tree: Tree) -> bool:
    """True where its value may be a resource itself."""
    kind, children = tree["type"], tree.get("children", ())
    if kind == "MemberInvocation":
        return str(children[0]["text"])[0].isupper()
    if kind == "InvocationExpression":
        name, arguments = _call(children[1])
        if name == "select":
            return any(map(_is_whole, arguments))
        return children[1]["type"] != "MemberInvocation" and _is_whole(children[0])
    return kind in _FOCUS or any(map(_is_whole, children))


def _each(tree: Tree) -> bool:
    """`Type.where(...).exists()`, or of several types: a resource alone decides."""
    called = _call(tree["children"][1]) if tree["type"] == "InvocationExpression" else ("", ())
    if called[0] != "exists" or called[1]:
        return False
    tree = tree["children"][0]
    while tree["type"] == "InvocationExpression" and _call(tree["children"][1])[0] == "where":
        tree = tree["children"][0]
    return all(kind in _ONLY_TYPES for kind in _kinds(tree)) and all(n[0].isupper() for n in _members(tree))


def _kinds(tree: Tree) -> Iterator[str]:
    yield tree["type"]
    for child in tree.get("children", ()):
        yield from _kinds(child)


def _members(tree: Tree) -> Iterator[str]:
    """Every name of an element or type in it."""
    if tree["type"] == "MemberInvocation":
        yield str(tree["children"][0]["text"]).strip("`")
    for child in tree.get("children", ()):
        yield from _members(child)
