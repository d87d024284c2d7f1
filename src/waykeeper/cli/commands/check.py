"""`waykeeper check`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from waykeeper.cli.options import FAIL_LEVELS, FailLevelOption, FormatOption
from waykeeper.cli.session import end, level, put, summary


def check(
    pathway: Annotated[
        list[str],
        typer.Argument(help="Pathway, overlay, clinic or rule files, or library names.", metavar="PATHWAY..."),
    ],
    clinic: Annotated[
        str, typer.Option("--clinic", help="Pathways as they hold in this clinic: its overlays, roles, open days.")
    ] = "",
    format_: FormatOption = "text",
    fail_level: FailLevelOption = "error",
) -> None:
    """Check pathway, overlay, clinic and rule files: every finding with file, line and column."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.report.findings import as_github, as_json, as_text
        from waykeeper.verbs import words

        words.choice(format_, ("text", "json", "github"), "--format", needed=True)
        words.choice(fail_level, FAIL_LEVELS, "--fail-level", needed=True)
        found = verbs.check(*pathway, clinic=clinic)
        writers = {"text": as_text, "json": as_json, "github": as_github}
        put(writers[format_](found))
        print(f"{len(pathway)} checked: {summary(found)}", file=sys.stderr)
        return level(found, fail_level)

    end(work)
