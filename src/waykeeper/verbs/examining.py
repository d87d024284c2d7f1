"""What a server can do for each thing that Waykeeper needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from waykeeper.verbs.words import Holds

if TYPE_CHECKING:
    from waykeeper.exchange.capabilities import ServerReport


def server(url: str, *, holds: Holds = "test", read_only: bool = False) -> ServerReport:
    """Ask a server what it can do, and how that was found out.

    read_only   nothing is written: without it one Task that is no plan is written, looked at and taken back

    Raises WaykeeperError: an address that cannot be used, no answer, an answer that is not FHIR.
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.capabilities import survey

    with Server(url, kind=holds) as asked:
        return survey(asked, try_out=not read_only)
