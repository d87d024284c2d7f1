"""`waykeeper export`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from waykeeper.cli.errors import DONE, FOUND, report
from waykeeper.cli.options import FormatOption, FromOption
from waykeeper.cli.session import end, put, server_of
from waykeeper.counting import counted


def export(
    from_: FromOption = "",
    output: Annotated[str, typer.Option("--output", help="An empty folder, or a new one.", metavar="FOLDER")] = "",
    group: Annotated[str, typer.Option("--group", help="Only this Group's patients.", metavar="ID")] = "",
    type_: Annotated[
        list[str] | None, typer.Option("--type", help="FHIR types; those that gaps reads by default.", metavar="TYPE")
    ] = None,
    since: Annotated[str, typer.Option("--since", help="Only what changed later.", metavar="INSTANT")] = "",
    wait: Annotated[int, typer.Option("--wait", help="Seconds to wait for the server.")] = 3600,
    format_: FormatOption = "text",
) -> None:
    """Export a caseload from a server ($export) into a folder of NDJSON that gaps reads; broken off, it goes on."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.findings import WaykeeperError, finding
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json

        words.choice(format_, ("text", "json"), "--format", needed=True)
        for value, option, what in ((from_, "--from", "URL"), (output, "--output", "FOLDER")):
            if not value:
                raise WaykeeperError(finding("WKC203", f"{option} is missing", help=f"Add {option} {what}."))
        asked = server_of(from_, "--from")
        done = verbs.export(
            asked.url, output, group=group, types=type_ or (), since=since, wait=wait, told=_told,
        )  # fmt: skip
        report(done.findings)
        if format_ == "json":
            put(as_json(done.json()))
        else:
            kinds = ", ".join(f"{number} {kind}" for kind, number in sorted(done.counts.items()))
            total = counted(sum(done.counts.values()), "resource")
            put(f"{total} of {done.server} as of {done.moment} in {done.folder}: {kinds or 'nothing'}\n")
            if done.deleted:
                put(f"{counted(done.deleted, 'resource')} deleted since then, listed in deleted-*.bundles\n")
        return FOUND if any(f.severity == "error" for f in done.findings) else DONE

    end(work)


def _told(line: str) -> None:
    """What happens, on a terminal only."""
    if sys.stderr.isatty():
        print(line, file=sys.stderr)
