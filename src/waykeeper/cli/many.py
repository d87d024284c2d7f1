"""What the commands for many patients share: a bar on a terminal, and their summaries."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import suppress
from time import monotonic
from types import TracebackType
from typing import TYPE_CHECKING, Any

from waykeeper.cli.errors import DONE, FOUND, report
from waykeeper.cli.session import put, summary
from waykeeper.counting import counted

if TYPE_CHECKING:
    from waykeeper.exchange.caseload import CaseloadReport, Outcome

PATIENCE = 2.0  # seconds before a bar is worth looking at


class Bar:
    """A bar on standard error, on a terminal only and past two seconds; elsewhere nothing."""

    def __init__(self, what: str) -> None:
        """Nothing is drawn yet."""
        self._what, self._began, self._total, self._done = what, monotonic(), 0, 0
        self._progress: Any = None
        self._task: Any = None

    def __enter__(self) -> Bar:
        """Itself."""
        return self

    def __exit__(self, _: type[BaseException] | None, __: BaseException | None, ___: TracebackType | None) -> None:
        """Take the bar away."""
        if self._progress:
            self._progress.stop()

    def total(self, number: int) -> None:
        """How many there are."""
        self._total = number

    def step(self) -> None:
        """One more is done."""
        self._done += 1
        if not sys.stderr.isatty() or monotonic() - self._began < PATIENCE:
            return
        if self._progress is None:
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

            columns = (TextColumn(self._what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
            self._progress = Progress(*columns, console=Console(stderr=True), transient=True)
            self._progress.start()
            self._task = self._progress.add_task(self._what, total=self._total)
        self._progress.update(self._task, completed=self._done)


def push_many(
    paths: list[str], to: str, holds: Any, *, jobs: int, ledger: str, errors_to: str, dry_run: bool, format_: str,
    fail_on: str,
) -> int:  # fmt: skip
    """Push many and say what became of each that needs somebody, then the sums."""
    from waykeeper.verbs.output import as_json
    from waykeeper.verbs.pushing_many import push_all

    kept: list[dict[str, Any]] = []
    with Bar("pushing") as bar:

        def reported(one: Outcome) -> None:
            bar.step()
            if format_ == "json":
                kept.append(one.json())
            elif one.findings or one.waiting:
                put(_line(one))

        try:
            made = push_all(
                *paths, to=to, holds=holds, jobs=jobs, ledger=ledger, errors_to=errors_to, dry_run=dry_run,
                found=bar.total, reported=reported,
            )  # fmt: skip
        except KeyboardInterrupt:
            _say(kept, format_, as_json)
            print("what was sent is whole; run it again for the rest", file=sys.stderr)
            raise
    if format_ == "json":
        put(as_json({"schema_version": 1, **_sums(made), "plans": kept}))
    else:
        put(f"{_summary(made)}\n")
    report(made.stopped)
    met = (fail_on == "conflict" and made.waiting) or (fail_on == "change" and (made.changed or made.waiting))
    return made.exit_code or (FOUND if met else DONE)


def _say(kept: list[dict[str, Any]], format_: str, write: Callable[[Any], str]) -> None:
    with suppress(BrokenPipeError):
        if format_ == "json" and kept:
            put(write({"schema_version": 1, "plans": kept}))


def _line(one: Outcome) -> str:
    """One plan that needs somebody, on a line for each of its findings."""
    lines = [f"{one.place}: {one.word}: {f.line()}" for f in one.findings]
    if one.waiting:
        lines.append(f"{one.place}: {counted(one.waiting, 'conflict')} waiting for a person: push it alone to see them")
    return "".join(f"{line}\n" for line in lines)


def _sums(made: CaseloadReport) -> dict[str, Any]:
    return {
        "server": made.server, "dry_run": made.dry_run, "plans_given": made.total, "done_before": made.before,
        "left": made.left, "waiting": made.waiting, "outcomes": dict(sorted(made.counts.items())),
    }  # fmt: skip


def _summary(made: CaseloadReport) -> str:
    from waykeeper.exchange.caseload import WORDS

    said = [f"{made.counts[word]} {word}" for word in WORDS if made.counts.get(word)]
    said += [f"{made.before} done before"] if made.before else []
    said += [f"{made.left} not taken up"] if made.left else []
    head = "would be pushed" if made.dry_run else "pushed"
    waits = f"; {counted(made.waiting, 'plan')} with something that waits for a person" if made.waiting else ""
    return f"{head}: {counted(made.total, 'plan')}: {', '.join(said) or 'nothing'}{waits}"


def compile_many(pathway: str, **options: Any) -> int:
    """Compile a theatre list: what is wrong or in doubt of a case stands on standard error, then the sums."""
    from waykeeper.verbs.compiling_many import CaseOutcome, compile_all

    with Bar("compiling") as bar:

        def reported(one: CaseOutcome) -> None:
            bar.step()
            report(f for f in one.findings if one.failed or f.severity != "information")

        made = compile_all(pathway, found=bar.total, reported=reported, **options)
    noticed = [f for one in made.outcomes if not one.failed for f in one.findings]
    whole = len(made.outcomes) - len(made.failed)
    where = f" in {made.output}" if whole else ""
    said = f"{whole} of {counted(len(made.outcomes), 'case')} compiled{where}; {len(made.failed)} failed"
    print(f"{said}; {summary(noticed)} on those that were compiled", file=sys.stderr)
    return FOUND if made.failed else DONE
