"""`waykeeper validate`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from waykeeper.cli.options import FAIL_LEVELS, FailLevelOption, FormatOption
from waykeeper.cli.session import count, end, level, put


def validate(
    paths: Annotated[list[str], typer.Argument(help="JSON, NDJSON, folders, .gz, or - for stdin.", metavar="PATH...")],
    format_: FormatOption = "text",
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
) -> None:
    """Validate files as FHIR R4 (4.0.1): every finding with file, line, column, rule and remedy."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.report import validation
        from waykeeper.verbs import inputs, words
        from waykeeper.verbs.output import as_json

        words.choice(format_, ("text", "json", "github"), "--format")
        words.choice(fail_level, FAIL_LEVELS, "--fail-level")
        known = inputs.baseline_of(baseline) if baseline else {}
        seen = verbs.validate_files(*paths, profiles=profile or (), stricter=not specification_only)
        checked, covered = validation.without_baseline(seen.checked, known)
        side = ((junit, validation.junit), (sarif, validation.sarif))
        for path, write in side:
            if path:
                write_whole(path, write(checked))
        if write_baseline:
            write_whole(write_baseline, as_json(validation.baseline(seen.checked)))
        put(validation.stdout_text(checked, format_))
        left_out = f"; {count(covered, 'finding')} of the baseline left out" if baseline else ""
        print(f"{validation.summary(checked)}{left_out}", file=sys.stderr)
        return level(validation.findings_of(checked), fail_level)

    end(work)
