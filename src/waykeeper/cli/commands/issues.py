"""`waykeeper issues`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from waykeeper.cli.errors import report as say
from waykeeper.cli.options import AsOfOption, FormatOption, MappingOption, TheatreListOption, ToOption
from waykeeper.cli.session import end, level, reports_shown, server_of, source_of

if TYPE_CHECKING:
    from waykeeper.findings import Finding


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

        words.choice(format_, ("text", "json"), "--format", needed=True)
        server = server_of(to, "--to")
        found: list[Finding] = []

        def noticed(findings: tuple[Finding, ...]) -> None:
            say(findings)
            found.extend(findings)

        with reports_shown(format_) as (reports, reported):
            verbs.issues(
                *(source_of(one) for one in from_ or []), to=server.url, holds=server.holds, as_of=as_of or None,
                theatre_list=theatre_list, mapping=mapping, dry_run=dry_run, reported=reported, noticed=noticed,
            )  # fmt: skip
        found += [f for one in reports for f in one.findings]
        return level(found, "error")

    end(work)
