"""`waykeeper push`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE, FOUND
from waykeeper.cli.options import FormatOption, ToOption
from waykeeper.cli.session import end, reports_shown, server_of

JOBS = 2


def push(
    bundle: Annotated[
        list[str], typer.Argument(help="Bundles that compile wrote; folders and NDJSON of them.", metavar="BUNDLE...")
    ],
    to: ToOption,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Print every decision, send nothing.")] = False,
    take: Annotated[
        list[str] | None, typer.Option("--take", help="Answer a conflict: ours:ITEM or theirs:ITEM.")
    ] = None,
    format_: FormatOption = "text",
    fail_on: Annotated[str, typer.Option("--fail-on", help="conflict or change: exit 1 then.")] = "",
    jobs: Annotated[int, typer.Option("--jobs", help="Many plans: patients at the same time.")] = JOBS,
    ledger: Annotated[
        str,
        typer.Option("--ledger", help="Many plans: keep what became of each, to go on after an end.", metavar="FILE"),
    ] = "",
    errors_to: Annotated[
        str, typer.Option("--errors-to", help="Many plans: what did not go through, and why.", metavar="DIR")
    ] = "",
) -> None:
    """Merge plans into a FHIR server: one transaction a patient, nobody's work is lost."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.verbs import words

        words.choice(format_, ("text", "json"), "--format", needed=True)
        words.choice(fail_on, ("conflict", "change"), "--fail-on")
        answers = words.takes(take or [])
        server = server_of(to, "--to")
        if _many(bundle, jobs, ledger, errors_to):
            if answers:
                raise _single()
            from waykeeper.cli.many import push_many

            return push_many(
                bundle, server.url, server.holds, jobs=jobs, ledger=ledger, errors_to=errors_to, dry_run=dry_run,
                format_=format_, fail_on=fail_on,
            )  # fmt: skip
        with reports_shown(format_) as (reports, reported):
            verbs.push(
                *bundle, to=server.url, holds=server.holds, dry_run=dry_run, take=answers,
                reported=reported,
            )  # fmt: skip
        failed = any(f.severity == "error" for one in reports for f in one.findings)
        conflict = any(one.conflicts for one in reports)
        changed = any(one.changes for one in reports)
        met = (fail_on == "conflict" and conflict) or (fail_on == "change" and (changed or conflict))
        return FOUND if failed or met else DONE

    end(work)


def _many(paths: list[str], jobs: int, ledger: str, errors_to: str) -> bool:
    """Whether plans of many patients are pushed: a folder, NDJSON, or an option that is for many."""
    from pathlib import Path

    from waykeeper.exchange.files import is_ndjson

    of_many = any(is_ndjson(path) or Path(path).is_dir() for path in paths)
    return of_many or bool(ledger or errors_to) or jobs != JOBS


def _single() -> Exception:
    from waykeeper.findings import WaykeeperError, finding

    return WaykeeperError(finding("WKC203", "--take answers a conflict of one plan", help="Push that bundle alone."))
