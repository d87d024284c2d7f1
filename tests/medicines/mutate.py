"""A small mutation tester for the medicines room: change one thing, run the room's fast tests, see whether they notice.

    python tests/medicines/mutate.py [--share 0.2] [--seed 1] [--module intervals]

Each mutant lives in a forked child that loads the changed module in place of the real one; no file is written.
A mutant that a test fails on is killed; one that all tests pass is a survivor and is printed with its line.
"""

from __future__ import annotations

import argparse
import ast
import importlib.abc
import importlib.machinery
import os
import random
import signal
import sys
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "src/waykeeper/medicines"
PACKAGE = "waykeeper.medicines"
SKIP = {"__init__", "model", "rule_table"}  # values without logic; the table is compared as a whole
TESTS = [
    "test_proposals.py", "test_rows.py", "test_kidney.py", "test_after_surgery.py", "test_sixty_rows.py",
    "test_rule_files.py", "test_daily_sums.py", "test_words.py", "test_conditions.py",
    "../report/test_medicines_page.py",
]  # fmt: skip
FIRST = {
    "kidney": "test_kidney.py", "words": "test_words.py", "daily_sums": "test_daily_sums.py",
    "conditions": "test_conditions.py",
    "page": "../report/test_medicines_page.py", "check": "test_rule_files.py", "ruleset": "test_rule_files.py",
    **dict.fromkeys(("acetaminophen", "opioids", "weaning", "weight_doses", "doses", "restarts", "due"),
                    "test_after_surgery.py"),
    **dict.fromkeys(("answers", "met", "other_surgeries", "pairs", "synonyms", "status"), "test_rows.py"),
}  # fmt: skip
SECONDS = 120  # a mutant that takes longer has gone into a loop: killed

COMPARE = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
BINARY = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Add, ast.Div: ast.Mult, ast.BitOr: ast.BitAnd}


@dataclass(frozen=True)
class Mutant:
    module: str
    line: int
    what: str
    tree: ast.Module


def mutants(module: str) -> Iterator[Mutant]:
    """Every mutant of a module, in the order of its source."""
    source = (FOLDER / f"{module}.py").read_text("utf-8")
    tree = ast.parse(source)
    hints = {id(n) for a in without_effect(tree) for n in ast.walk(a)}
    for index, original in enumerate(ast.walk(tree)):
        for what in changes(original) if id(original) not in hints else ():
            copy = deepcopy(tree)
            apply(list(ast.walk(copy))[index], what)
            yield Mutant(module, getattr(original, "lineno", 0), what, ast.fix_missing_locations(copy))


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
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARE:
        return [f"{type(node.ops[0]).__name__} -> {COMPARE[type(node.ops[0])].__name__}"]
    if isinstance(node, ast.BinOp) and type(node.op) in BINARY and not isinstance(node.left, ast.JoinedStr):
        return [f"{type(node.op).__name__} -> {BINARY[type(node.op)].__name__}"]
    if isinstance(node, ast.BoolOp):
        return ["and <-> or"]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        return ["not dropped"]
    if isinstance(node, ast.IfExp):
        return ["branches swapped"]
    if isinstance(node, ast.Constant) and type(node.value) is int:
        return ["number + 1"]
    if isinstance(node, ast.Constant) and type(node.value) is bool:
        return ["true <-> false"]
    return []


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
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant():
            node.value += 1


class Loader(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives the changed module for one name."""

    def __init__(self, mutant: Mutant) -> None:
        self.name, self.tree = f"{PACKAGE}.{mutant.module}", mutant.tree
        self.path = str(FOLDER / f"{mutant.module}.py")

    def find_spec(self, name: str, path: object = None, target: object = None) -> importlib.machinery.ModuleSpec | None:
        return importlib.machinery.ModuleSpec(name, self, origin=self.path) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = self.path
        exec(compile(self.tree, self.path, "exec"), module.__dict__)


def survives(mutant: Mutant | None) -> bool:
    """True if all tests pass: those that know the module best first, then the rest."""
    best = FIRST.get(mutant.module, TESTS[0]) if mutant else ""
    first = [best] if best else []
    return all(passes(mutant, names) for names in (first, [t for t in TESTS if t != best]) if names)


def passes(mutant: Mutant | None, names: list[str]) -> bool:
    """Run test files in a child; True if all pass."""
    child = os.fork()
    if child == 0:
        signal.alarm(SECONDS)
        quiet = os.open(os.environ.get("MUTATE_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        if mutant is not None:
            sys.meta_path.insert(0, Loader(mutant))
        import pytest

        files = [str(Path(__file__).parent / name) for name in names]
        code = pytest.main([*files, "-x", "-q", "-p", "no:cacheprovider", "--no-header", "--tb=no", "--assert=plain"])
        os._exit(0 if code == 0 else 1)
    _, status = os.waitpid(child, 0)
    return status == 0


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--share", type=float, default=1.0, help="share of the mutants that is tried")
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--module", action="append", help="only this module; may be given again")
    chosen = arguments.parse_args()
    os.chdir(ROOT)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    sys.path.insert(0, str(ROOT / "tests"))
    warm_up()
    if not survives(None):
        raise SystemExit("the tests fail without any change")
    names = chosen.module or sorted(f.stem for f in FOLDER.glob("*.py") if f.stem not in SKIP)
    pick = random.Random(chosen.seed)
    tried = [m for name in names for m in mutants(name) if pick.random() < chosen.share]
    alive = []
    for mutant in tried:
        if survives(mutant):
            alive.append(mutant)
            say(f"survived: {mutant.module}.py:{mutant.line}: {mutant.what}")
    say(f"{len(tried)} mutants, {len(tried) - len(alive)} killed, {len(alive)} survived")


def warm_up() -> None:
    """Import what is slow and never changed, so that a child starts at once."""
    import holidays  # noqa: F401
    import pytest  # noqa: F401

    import waykeeper.pathway.strict
    import waykeeper.plan.model
    import waykeeper.record.model
    import waykeeper.timing  # noqa: F401
    from waykeeper.findings import catalogue

    catalogue()
    for name in [n for n in sys.modules if n.startswith(PACKAGE)]:
        del sys.modules[name]


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
