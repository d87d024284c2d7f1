"""What is changed in a module, one thing at a time: a comparison, a sum, a condition, a branch, a number, a truth."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

COMPARE = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
BINARY = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Add, ast.Div: ast.Mult, ast.BitOr: ast.BitAnd}
PLAIN = (ast.Name, ast.Attribute, ast.Call, ast.NamedExpr)  # conditions with no operator of their own
UNCHANGED = "nothing"


@dataclass(frozen=True)
class Mutant:
    """One change. `function` is the first line of the outermost function that holds it; 0 = it is made at import.

    `name` is how the table of equivalents calls it: module, function, the text that is changed, how it is changed;
    #2, #3 and so on where a function holds that text more than once.
    """

    module: str
    line: int
    what: str
    function: int
    name: str
    source: str = field(repr=False)  # of the module, as it was when its mutants were listed
    place: int  # of what is changed, among everything the module holds

    @property
    def tree(self) -> ast.Module:
        """The changed module: made when it is tried, since a room has thousands of mutants."""
        tree = ast.parse(self.source)
        if self.what != UNCHANGED:
            apply(list(ast.walk(tree))[self.place], self.what)
        return ast.fix_missing_locations(tree)


def unchanged(file: Path) -> Mutant:
    """A module as it is."""
    return Mutant(file.stem, 0, UNCHANGED, 0, f"{file.stem}: {UNCHANGED}", file.read_text("utf-8"), 0)


def mutants(file: Path) -> Iterator[Mutant]:
    """Every mutant of a module, in the order of its source."""
    source = file.read_text("utf-8")
    tree = ast.parse(source)
    owners = dict(owner for top in outermost(tree) for owner in inside(top))
    hints = {id(n) for a in without_effect(tree) for n in ast.walk(a)}
    named: Counter[str] = Counter()
    for index, original in enumerate(ast.walk(tree)):
        for what in changes(original) if id(original) not in hints else ():
            owner = owners.get(id(original))
            said = " ".join((ast.get_source_segment(source, original) or ast.unparse(original)).split())
            name = f"{file.stem}.{owner.name if owner else '(module)'}: {said}: {what}"
            named[name] += 1
            name += f" #{named[name]}" if named[name] > 1 else ""
            first = min([owner.lineno, *(d.lineno for d in owner.decorator_list)]) if owner else 0
            line = getattr(original, "lineno", 0)
            yield Mutant(file.stem, line, what, first, name, source, index)


def outermost(tree: ast.Module) -> Iterator[ast.FunctionDef]:
    """The functions and methods that are in no other function."""
    for node in tree.body:
        held = node.body if isinstance(node, ast.ClassDef) else [node]
        yield from (f for f in held if isinstance(f, ast.FunctionDef))


def inside(function: ast.FunctionDef) -> Iterator[tuple[int, ast.FunctionDef]]:
    """Every node that runs when the function is called: not its decorators and default values."""
    for statement in function.body:
        yield from ((id(n), function) for n in ast.walk(statement))


def without_effect(tree: ast.Module) -> Iterator[ast.AST]:
    """Type hints, and decorators (`frozen`, `slots`, cache sizes): changing them changes no answer."""
    for node in ast.walk(tree):
        if isinstance(node, ast.arg | ast.AnnAssign) and node.annotation is not None:
            yield node.annotation
        if isinstance(node, ast.FunctionDef) and node.returns is not None:
            yield node.returns
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield from node.decorator_list


def changes(node: ast.AST) -> list[str]:
    """The names of the changes that a node takes."""
    found = []
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARE:
        found.append(f"{type(node.ops[0]).__name__} -> {COMPARE[type(node.ops[0])].__name__}")
    if isinstance(node, ast.BinOp) and type(node.op) in BINARY and not isinstance(node.left, ast.JoinedStr):
        found.append(f"{type(node.op).__name__} -> {BINARY[type(node.op)].__name__}")
    if isinstance(node, ast.BoolOp):
        found.append("and <-> or")
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        found.append("not dropped")
    if isinstance(node, ast.IfExp):
        found.append("branches swapped")
    if isinstance(node, ast.If | ast.While) and isinstance(node.test, PLAIN) and not _for_hints(node.test):
        found.append("condition turned")
    if isinstance(node, ast.comprehension) and node.ifs:
        found.append("filter dropped")
    if isinstance(node, ast.Constant) and type(node.value) is int:
        found.append("number + 1")
    if isinstance(node, ast.Constant) and type(node.value) is bool:
        found.append("true <-> false")
    return found


def _for_hints(test: ast.expr) -> bool:
    """What is imported for type hints alone changes no answer."""
    return isinstance(test, ast.Name) and test.id == "TYPE_CHECKING"


def apply(node: ast.AST, what: str) -> None:
    """Make a change in place."""
    match node:
        case ast.Compare():
            node.ops = [COMPARE[type(node.ops[0])]()]
        case ast.BinOp():
            node.op = BINARY[type(node.op)]()
        case ast.BoolOp():
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        case ast.UnaryOp():
            node.operand = ast.UnaryOp(ast.Not(), node.operand)
        case ast.IfExp():
            node.body, node.orelse = node.orelse, node.body
        case ast.If() | ast.While():
            node.test = ast.UnaryOp(ast.Not(), node.test)
        case ast.comprehension():
            node.ifs = []
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant():
            node.value += 1
        case _:
            raise ValueError(what)
