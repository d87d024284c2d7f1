"""`waykeeper validate`."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from waykeeper.cli.errors import DONE, FOUND
from waykeeper.cli.options import FAIL_LEVELS, FailLevelOption
from waykeeper.cli.session import end, put
from waykeeper.counting import counted

if TYPE_CHECKING:
    from waykeeper.report.validation import Sieve, Tally
    from waykeeper.validate import Checked

PIECE = 500  # resources with findings, written to standard output at once


def validate(
    paths: Annotated[list[str], typer.Argument(help="JSON, NDJSON, folders, .gz, or - for stdin.", metavar="PATH...")],
    format_: Annotated[
        str,
        typer.Option("--format", help="stdout: text, json, github or operation-outcome.", metavar="FORMAT"),
    ] = "text",
    json: Annotated[str, typer.Option("--json", help="Also write the JSON report.", metavar="FILE")] = "",
    junit: Annotated[str, typer.Option("--junit", help="Also write JUnit XML.", metavar="FILE")] = "",
    sarif: Annotated[str, typer.Option("--sarif", help="Also write SARIF 2.1.0.", metavar="FILE")] = "",
    profile: Annotated[
        list[str] | None, typer.Option("--profile", help="StructureDefinitions: a file or a folder.", metavar="PATH")
    ] = None,
    fail_level: FailLevelOption = "error",
    specification_only: Annotated[
        bool, typer.Option("--specification-only", help="Leave out what is stricter than the specification.")
    ] = False,
    baseline: Annotated[
        str, typer.Option("--baseline", help="Leave out the findings that this file knows.", metavar="FILE")
    ] = "",
    write_baseline: Annotated[
        str, typer.Option("--write-baseline", help="Write what was found as a baseline.", metavar="FILE")
    ] = "",
    jobs: Annotated[
        int | None, typer.Option("--jobs", help="Processes for large NDJSON; one a processor.", metavar="N")
    ] = None,
) -> None:
    """Validate files as FHIR R4 (4.0.1): every finding with file, line, column, rule and remedy."""

    def work() -> int:
        from waykeeper.report import validation
        from waykeeper.verbs import validating, words

        words.choice(format_, tuple(validation.FORMS), "--format", needed=True)
        words.choice(fail_level, FAIL_LEVELS, "--fail-level", needed=True)
        many = _processors() if jobs is None else jobs
        words.positive(many, "--jobs")
        sieve = validation.Sieve(validating.baseline_of(baseline) if baseline else {})
        tally = validation.Tally()
        seen = validating.each_validated(*paths, profiles=profile or (), stricter=not specification_only, jobs=many)
        forms = ((json, validation.as_json), (junit, validation.junit), (sarif, validation.sarif))
        sides = [(path, write) for path, write in forms if path]
        checked = _sifted(seen, sieve, tally)
        if sides or format_ not in validation.STREAMED:
            whole = list(checked)
            for path, write in sides:
                _write(path, write(whole))
            put(validation.stdout_text(whole, format_))
        else:
            _stream(checked, format_)
        if write_baseline:
            from waykeeper.verbs.output import as_json

            _write(write_baseline, as_json(sieve.baseline))
        print(f"{tally}{_of_baseline(sieve) if baseline else ''}", file=sys.stderr)
        grave = tally.severities["error"] + (tally.severities["warning"] if fail_level == "warning" else 0)
        return FOUND if grave else DONE

    end(work)


def _sifted(seen: Iterator[Checked], sieve: Sieve, tally: Tally) -> Iterator[Checked]:
    for one in seen:
        kept = sieve.sift(one) if one.findings else one
        tally.add(kept)
        yield kept


def _stream(checked: Iterator[Checked], format_: str) -> None:
    """What was found, while resources still come in: nothing of those without findings is kept."""
    from waykeeper.report import validation

    held: list[Checked] = []
    try:
        for one in checked:
            if one.findings:
                held.append(one)
            if len(held) >= PIECE:
                put(validation.stdout_text(held, format_))
                held.clear()
    finally:  # a damaged file ends the run, and what the files before it hold is said all the same
        put(validation.stdout_text(held, format_))


def _of_baseline(sieve: Sieve) -> str:
    left_out = f"; {counted(sieve.covered, 'finding')} of the baseline left out"
    return left_out + (f", {sieve.gone} of it did not occur" if sieve.gone else "")


def _write(path: str, text: str) -> None:
    from waykeeper.exchange.files import write_whole

    write_whole(path, text)


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
