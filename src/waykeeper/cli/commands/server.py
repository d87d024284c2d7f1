"""`waykeeper server`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE, FOUND
from waykeeper.cli.options import FormatOption
from waykeeper.cli.session import end, put, server_of


def server(
    url: Annotated[str, typer.Argument(help="A FHIR base address, or a server's name.", metavar="[URL]")] = "",
    read_only: Annotated[
        bool, typer.Option("--read-only", help="Write nothing; what only a written resource shows stays unknown.")
    ] = False,
    install_definitions: Annotated[
        bool,
        typer.Option("--install-definitions", help="Put our StructureDefinitions there where absent or older."),
    ] = False,
    format_: FormatOption = "text",
) -> None:
    """What a server can do for each thing that Waykeeper needs, and how that was found out.

    declared: its CapabilityStatement says so. probed: it was tried; for that a Task that is no plan is written, looked
    at and taken back. not declared: nobody knows until it is tried. A server that checks resources by our own
    definitions needs those of this version: it is told where they differ, and --install-definitions puts them there.
    """

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.findings import WaykeeperError, finding
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json

        words.choice(format_, ("text", "json"), "--format", needed=True)
        if not url:
            remedy = "Write the FHIR base address: waykeeper server https://host/path."
            raise WaykeeperError(finding("WKC203", "no server is given", help=remedy))
        asked = server_of(url, "URL")
        found = verbs.server(asked.url, holds=asked.holds, read_only=read_only, install_definitions=install_definitions)
        put(as_json(found.json()) if format_ == "json" else found.text())
        return FOUND if found.lacking else DONE

    end(work)
