"""Mutation testing of a room: change one thing, run the tests that pass through it, see whether they notice.

    python tests/mutation/run.py medicines [--module intervals] [--share 0.2 --seed 1] [--part 1/4] [--again FILE]
    python tests/mutation/run.py medicines --control

All tests run once, and which functions each of them calls is written down. Then each mutant lives in a forked child:
the changed functions get their new code in place, and the tests that call the changed one run, the quickest and those
that noticed other mutants first, until one fails. What was computed while modules were imported cannot be changed in
place; such a mutant, and one that survives although its function ran at import, is tried again in a child that imports
the changed module instead of the real one. No file is written.

A mutant that no test notices is printed. Where `equivalents/ROOM.yaml` says why no test can, it is printed as
"explained" and counted as alive without being tried; `--explained` tries those alone. The order is drawn by the seed,
so a run that is stopped has tried a random sample, as has one with a `--share`; the error stream says how far it is.
`--control` tries both ways with unchanged modules: had the runner itself a fault that looks like a kill, it would show
there.

Exit code 1: fewer than 90 % were killed, the explained ones counted as alive.
"""

from __future__ import annotations

import argparse
import contextlib
import enum
import gc
import importlib.abc
import importlib.machinery
import mmap
import os
import random
import resource
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

import pytest
import yaml
from _pytest.runner import runtestprotocol
from hypothesis import HealthCheck, Phase, settings

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "tests/mutation")]

from mutants import Mutant, mutants, unchanged  # noqa: E402 - tests is not a package

ROOMS = {  # the tests of a room: its own folder, and where its parts are tested through another room
    "medicines": ["tests/medicines", "tests/report/test_medicines_page.py"],
    "timing": ["tests/timing"],
    "gaps": ["tests/gaps"],
    "merge": ["tests/merge"],
    "plan": ["tests/plan", "tests/gaps", "tests/merge"],
    "record": ["tests/record", "tests/plan", "tests/medicines/test_pause_asked.py", "tests/medicines/test_weekly.py"],
    "fhir": ["tests/fhir", "tests/gaps", "tests/merge", "tests/exchange/test_rootless.py"],
    "report": [str(f) for f in sorted((ROOT / "tests/report").glob("test_*.py")) if "browser" not in f.read_text()],
}
OURS = ("waykeeper", "tests", *(f.stem for f in (ROOT / "tests").iterdir()))  # what a whole new import begins from
WANTED = 90  # percent
IN_PLACE_SECONDS, WHOLE_SECONDS = 60, 180  # of computing: a mutant that takes longer has gone into a loop, killed
TEST_SECONDS, TEST_TIMES = 5, 4  # so has one whose test takes longer than this, and than so many times its own time
SLOW = 15  # seconds of a mutant that the error stream tells
TABLES = (  # made once from the package's data: kept unless a mutant changes how they are made
    "_compiled", "package_rules", "vocabulary", "policy_table", "indication_table", "factor_table", "pair_table",
    "_words", "_codes",
)  # fmt: skip
PREFERRED = 10  # how much a test that noticed a mutant comes before the others, against its seconds
Called = frozenset[tuple[str, int]]  # module and first line of a function


class Watch:
    """Notes which functions of a room are called, while it watches."""

    def __init__(self, folder: Path) -> None:
        self.prefix = f"{folder}{os.sep}"
        self.seen: set[tuple[str, int]] = set()

    def _call(self, frame: FrameType, event: str, arg: object) -> None:
        code = frame.f_code
        if code.co_filename.startswith(self.prefix):
            self.seen.add((code.co_filename, code.co_firstlineno))

    def called(self) -> Called:
        """What was seen since the watching began."""
        return frozenset((Path(file).stem, line) for file, line in self.seen)

    @contextlib.contextmanager
    def watching(self) -> Iterator[None]:
        self.seen = set()
        sys.settrace(self._call)
        try:
            yield
        finally:
            sys.settrace(None)


class Runner:
    """A pytest plugin that tries the mutants in place of running the tests once."""

    def __init__(self, room: str, tried: list[Mutant], explained: dict[str, str]) -> None:
        self.package, self.tried, self.explained = f"waykeeper.{room}", tried, explained
        self.watch = Watch(ROOT / "src/waykeeper" / room)
        self.at_import: Called = frozenset()
        self.of_tables: Called = frozenset()
        self.calls: list[Called] = []
        self.seconds: list[float] = []
        self.alive: list[Mutant] = []
        self.again = False  # the explained ones are tried too
        self.loops = 0
        self.noticed: Counter[int] = Counter()  # how many mutants each test noticed
        self.files: Counter[str] = Counter()  # and each file, where everything was imported anew
        self.failing = mmap.mmap(-1, 8)  # written by a child: the number of the test that failed, + 1
        self.faults: list[str] = []

    @pytest.hookimpl(hookwrapper=True)
    def pytest_collection(self) -> Iterator[None]:
        with self.watch.watching():
            yield
        self.at_import = self.watch.called()

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.of_tables = self._tables()
        for item in session.items:
            self._forget(tables=False)
            started = time.perf_counter()
            with self.watch.watching():
                good = passes(item)
            if not good:
                raise SystemExit(f"{item.nodeid} fails without any change")
            self.calls.append(self.watch.called())
            self.seconds.append(time.perf_counter() - started)
        gc.freeze()  # a child then copies less of what it shares with its parent
        tell(f"{len(session.items)} tests once in {sum(self.seconds):.0f} s")
        if not self.tried:
            self.faults = list(self.control(session))
        for done, mutant in enumerate(self.tried, 1):
            if done % 10 == 1:
                tell(f"{done - 1} of {len(self.tried)} tried, {len(self.alive)} alive")
            why = mutant.name in self.explained
            started = time.perf_counter()
            if (why and not self.again) or self._survives(mutant, session):
                self.alive.append(mutant)
                say(f"{'explained' if why else 'survived'}: {mutant.module}.py:{mutant.line}: {mutant.name}")
            if (took := time.perf_counter() - started) > SLOW:
                tell(f"{took:.0f} s: {mutant.name}")
        return True

    def _tables(self) -> Called:
        """The functions that make tables out of the package's data: a mutant there needs them made again."""
        with self.watch.watching():
            for name, found in caches(self.package):
                found.cache_clear()
                if name in TABLES:
                    found()
        return self.watch.called()

    def _forget(self, *, tables: bool) -> None:
        """Empty the caches, so that what is called is seen and what is changed is used."""
        for name, found in caches(self.package):
            if tables or name not in TABLES:
                found.cache_clear()

    def _survives(self, mutant: Mutant, session: pytest.Session) -> bool:
        place = (mutant.module, mutant.function)
        everywhere = not mutant.function or place in self.of_tables
        places = [n for n, called in enumerate(self.calls) if everywhere or place in called]
        places.sort(key=lambda n: self.seconds[n] / (1 + PREFERRED * self.noticed[n]))
        if mutant.function and not self._in_child(lambda: self._in_place([mutant], places, session), IN_PLACE_SECONDS):
            return False
        if mutant.function and place not in self.at_import | self.of_tables:
            return True
        files: dict[str, float] = {}
        for n in places:
            file = str(session.items[n].path)
            files[file] = files.get(file, 0) + self.seconds[n]
        first = sorted(files, key=lambda f: files[f] / (1 + PREFERRED * self.files[f]))
        said = Failing(self.failing, {item.nodeid: n for n, item in enumerate(session.items)})
        return self._in_child(lambda: whole([mutant], self.package, first, said), WHOLE_SECONDS, session)

    def control(self, session: pytest.Session) -> Iterator[str]:
        """The ways in which tests fail although nothing is changed in any module: the runner's own faults."""
        same = [unchanged(path) for path in sorted((ROOT / "src" / Path(*self.package.split("."))).glob("[a-z]*.py"))]
        if not self._in_child(lambda: self._in_place(same, range(len(session.items)), session), WHOLE_SECONDS):
            yield "put in place"
        files = sorted({str(item.path) for item in session.items})
        if not self._in_child(lambda: whole(same, self.package, files), WHOLE_SECONDS):
            yield "imported anew"

    def _in_child(self, work: Callable[[], bool], seconds: int, session: pytest.Session | None = None) -> bool:
        self.failing[:] = bytes(8)
        end = in_child(work, seconds)
        self.loops += end is End.LOOP
        if failing := int.from_bytes(self.failing[:], "big"):
            self.noticed[failing - 1] += 1
            if session is not None:
                self.files[str(session.items[failing - 1].path)] += 1
        return end is End.PASSED

    def _in_place(self, changed: list[Mutant], places: Iterable[int], session: pytest.Session) -> bool:
        for mutant in changed:
            replaced(sys.modules[f"{self.package}.{mutant.module}"], mutant)
        self._forget(tables=any((m.module, m.function) in self.of_tables for m in changed))
        for n in places:
            signal.setitimer(signal.ITIMER_PROF, TEST_SECONDS + TEST_TIMES * self.seconds[n])
            if not passes(session.items[n]):
                self.failing[:] = (n + 1).to_bytes(8, "big")
                return False
        return True


def passes(item: pytest.Item) -> bool:
    """Run one test; True if it passes or skips."""
    item._initrequest()  # type: ignore[attr-defined] # what a second run of the same test needs
    return not any(report.failed for report in runtestprotocol(item, log=False, nextitem=None))


def caches(package: str) -> list[tuple[str, Any]]:
    """Every cached function of a package, by name."""
    modules = [m for name, m in list(sys.modules.items()) if name.startswith(package)]
    return [(name, f) for m in modules for name, f in vars(m).items() if hasattr(f, "cache_clear")]


def replaced(module: ModuleType, mutant: Mutant) -> None:
    """Give every function of a loaded module the code of the changed source, whoever holds the function."""
    codes: dict[str, CodeType] = {}
    todo = [compile(mutant.tree, str(module.__file__), "exec")]
    while todo:
        code = todo.pop()
        codes[code.co_qualname] = code
        todo += [c for c in code.co_consts if isinstance(c, CodeType)]
    for function in functions(module):
        function.__code__ = codes[function.__qualname__]


def functions(module: ModuleType) -> Iterator[Any]:
    """The functions that a module defines, those of its classes and those behind decorators too."""
    holders = [vars(module), *(vars(c) for c in vars(module).values() if isinstance(c, type))]
    for held in (value for holder in holders for value in list(holder.values())):
        found = getattr(held, "fget", None) or getattr(held, "__func__", None) or held
        found = getattr(found, "__wrapped__", found)
        code = getattr(found, "__code__", None)
        if code is not None and code.co_filename == module.__file__:
            yield found


class Loader(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives the changed module for one name."""

    def __init__(self, mutant: Mutant, package: str) -> None:
        self.name, self.tree = f"{package}.{mutant.module}", mutant.tree
        self.path = str(ROOT / "src" / Path(*package.split(".")) / f"{mutant.module}.py")

    def find_spec(self, name: str, path: object = None, target: object = None) -> importlib.machinery.ModuleSpec | None:
        return importlib.machinery.ModuleSpec(name, self, origin=self.path) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = self.path
        exec(compile(self.tree, self.path, "exec"), module.__dict__)


class Failing:
    """A pytest plugin of a child: tells its parent which test failed."""

    def __init__(self, told: mmap.mmap, numbers: dict[str, int]) -> None:
        self.told, self.numbers = told, numbers

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and report.nodeid in self.numbers:
            self.told[:] = (self.numbers[report.nodeid] + 1).to_bytes(8, "big")


def whole(changed: list[Mutant], package: str, files: list[str], *plugins: object) -> bool:
    """Import everything of ours anew with the changed modules, and run these test files; True if all pass."""
    sys.meta_path[:0] = [Loader(mutant, package) for mutant in changed]
    for name in [n for n in sys.modules if n.partition(".")[0] in OURS]:
        del sys.modules[name]
    return pytest.main([*files, *OPTIONS], plugins=plugins) == 0


OPTIONS = ["-x", "-q", "-p", "no:cacheprovider", "--no-header", "--tb=no"]


class End(enum.Enum):
    """How a child ended: every test passed, one failed, or it computed for too long."""

    PASSED, FAILED, LOOP = range(3)


BROKEN = 3  # exit code of a child whose tests could not be run


def in_child(work: Callable[[], bool], seconds: int) -> End:
    """Run work in a forked child; the time is the child's own computing, so a busy machine kills no mutant."""
    child = os.fork()
    if child == 0:
        sys.settrace(None)
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
        quiet = os.open(os.environ.get("MUTATION_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        code = BROKEN
        with contextlib.suppress(BaseException):
            code = 0 if work() else 1
        os._exit(code)
    _, status = os.waitpid(child, 0)
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) == BROKEN:
        raise RuntimeError("the tests of a mutant could not be run")
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL, signal.SIGPROF):
        return End.LOOP
    return End.PASSED if status == 0 else End.FAILED


def chosen(arguments: argparse.Namespace) -> list[Mutant]:
    """The mutants to try: of the modules, the share and the part that were asked for."""
    folder = ROOT / "src/waykeeper" / arguments.room
    files = sorted(f for f in folder.glob("*.py") if not arguments.module or f.stem in arguments.module)
    pick = random.Random(arguments.seed)
    every = [m for file in files for m in mutants(file)]
    tell_outdated(every, arguments.room)
    all_of_them = [m for m in every if pick.random() < arguments.share]
    if arguments.again:
        printed = Path(arguments.again).read_text("utf-8").splitlines()
        alive = {line.split(": ", 2)[2] for line in printed if line.startswith("survived: ")}
        all_of_them = [m for m in all_of_them if m.name in alive]
    if arguments.explained:
        named = explained(arguments.room)
        all_of_them = [m for m in all_of_them if m.name in named]
    random.Random(arguments.seed).shuffle(all_of_them)
    part, _, parts = arguments.part.partition("/")
    return all_of_them[int(part) - 1 :: int(parts)]


def tell_outdated(every: list[Mutant], room: str) -> None:
    """Name the explanations of changes that these modules no longer hold, on the error stream."""
    modules, names = {m.module for m in every}, {m.name for m in every}
    for name in explained(room):
        if name.partition(".")[0] in modules and name not in names:
            tell(f"explained, but nothing to change: {name}")


def explained(room: str) -> dict[str, str]:
    """Mutants of a room that no test can notice, by name, with the reason."""
    file = Path(__file__).parent / "equivalents" / f"{room}.yaml"
    if not file.exists():
        return {}
    return {e["mutant"]: e["why"] for e in yaml.safe_load(file.read_text("utf-8")) or []}


def main() -> int:
    """Try the mutants of a room."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("room", choices=sorted(ROOMS))
    parser.add_argument("--module", action="append", help="only this module; may be given again")
    parser.add_argument("--share", type=float, default=1.0, help="share of the mutants that is tried")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", default="1/1", help="1/4: the first of four parts, to be run one after the other")
    parser.add_argument("--again", default="", help="only those that survived an earlier run, whose output this is")
    parser.add_argument("--explained", action="store_true", help="only those that are explained")
    parser.add_argument("--control", action="store_true", help="change nothing: a kill is the runner's fault")
    arguments = parser.parse_args()
    os.chdir(ROOT)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    found_at_once = (Phase.explicit, Phase.generate)  # a smaller example of what is noticed already tells nothing more
    slow = [HealthCheck.too_slow]  # a busy machine kills no mutant
    settings.register_profile(
        "mutation", derandomize=True, database=None, deadline=None, phases=found_at_once, suppress_health_check=slow
    )
    settings.load_profile("mutation")
    runner = Runner(arguments.room, [] if arguments.control else chosen(arguments), explained(arguments.room))
    runner.again = arguments.explained
    with Path(os.devnull).open("w") as quiet, contextlib.redirect_stderr(quiet):
        code = pytest.main([*ROOMS[arguments.room], *OPTIONS, "--capture=no"], plugins=[runner])
    if code != 0:
        raise SystemExit(f"pytest ended with {code}")
    if arguments.control:
        say(f"unchanged modules, tests fail: {runner.faults}" if runner.faults else "unchanged modules pass every test")
        return 1 if runner.faults else 0
    return summary(runner)


def summary(runner: Runner) -> int:
    """One line a room: tried, killed, survived, explained. 1 where too few were killed."""
    tried, alive = len(runner.tried), len(runner.alive)
    why = sum(m.name in runner.explained for m in runner.alive)
    share = 100 * (tried - alive) / tried if tried else 100
    say(f"{runner.package}: {tried} mutants, {tried - alive} killed ({share:.1f} %), {alive} alive, {why} explained")
    say(f"{runner.loops} of the killed ended in a loop")
    return 0 if share >= WANTED else 1


def tell(text: str) -> None:
    """How far it is, on the error stream."""
    sys.__stderr__.write(text + "\n")
    sys.__stderr__.flush()


def say(text: str) -> None:
    sys.__stdout__.write(text + "\n")
    sys.__stdout__.flush()


if __name__ == "__main__":
    sys.exit(main())
