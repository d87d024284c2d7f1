"""`waykeeper issues`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from waykeeper.cli.errors import DONE, FOUND
from waykeeper.cli.options import AsOfOption, FormatOption, MappingOption, TheatreListOption, ToOption
from waykeeper.cli.session import end, put, server_of, source_of

if TYPE_CHECKING:
    from waykeeper.exchange.report import PushReport


def issues(
    to: ToOption,
    from_: Annotated[
        list[str] | None, typer.Option("--from", help="Further bookings: a file or folder; may be repeated.")
    ] = None,
    as_of: AsOfOption = "",
    theatre_list: TheatreListOption = "",
    mapping: MappingOption = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Print every decision, send nothing.")] = False,
    format_: FormatOption = "text",
) -> None:
    """Write the gaps to the server as DetectedIssue and Task; a gap that is gone closes both."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json

        words.choice(format_, ("text", "json"), "--format")
        server = server_of(to, "--to")
        reports: list[PushReport] = []

        def reported(one: PushReport) -> None:
            reports.append(one)
            if format_ == "text":
                put(one.text())

        try:
            verbs.issues(
                *(source_of(one) for one in from_ or []), to=server.url, holds=server.holds, as_of=as_of or None,
                theatre_list=theatre_list, mapping=mapping, dry_run=dry_run, reported=reported,
            )  # fmt: skip
        finally:  # what was sent is printed, even if a later plan was refused
            if format_ == "json" and reports:
                put(as_json([one.json() for one in reports]))
        return FOUND if any(f.severity == "error" for one in reports for f in one.findings) else DONE

    end(work)
