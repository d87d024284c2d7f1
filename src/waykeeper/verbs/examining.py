"""What a server can do for each thing that Waykeeper needs."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from waykeeper.findings import WaykeeperError, finding
from waykeeper.verbs.words import Holds

if TYPE_CHECKING:
    from waykeeper.exchange.capabilities import ServerReport


def server(
    url: str, *, holds: Holds = "test", read_only: bool = False, install_definitions: bool = False
) -> ServerReport:
    """Ask a server what it can do, and how that was found out.

    read_only   nothing is written: without it one Task that is no plan is written, looked at and taken back
    install_definitions   put our own definitions there where they are absent or older, for a server that checks by them

    Raises WaykeeperError: an address that cannot be used, no answer, an answer that is not FHIR.
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.capabilities import survey
    from waykeeper.exchange.definitions import install

    if read_only and install_definitions:
        raise WaykeeperError(finding("WKC201", "--read-only and --install-definitions together", help="Give one."))
    with Server(url, kind=holds) as asked:
        done = install(asked) if install_definitions else ()
        return replace(survey(asked, try_out=not read_only), done=done)
