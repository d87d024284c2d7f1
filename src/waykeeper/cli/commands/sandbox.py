"""`waykeeper sandbox`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE
from waykeeper.cli.session import end


def sandbox(
    port: Annotated[int, typer.Option("--port", help="Port on the loopback address.")] = 8080,
    load: Annotated[str, typer.Option("--load", help="Folder of bundles and resources to fill it with.")] = "",
    db: Annotated[str, typer.Option("--db", help="Keep the data in this file.")] = "",
) -> None:
    """Serve the embedded FHIR R4 server on this machine until interrupted."""

    def work() -> int:
        from waykeeper import verbs

        verbs.sandbox(port=port, load=load, db=db)
        return DONE

    end(work)
