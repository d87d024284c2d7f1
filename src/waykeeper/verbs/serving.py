"""The embedded server."""

from __future__ import annotations

from pathlib import Path

from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.verbs.words import PathText, as_text

LAST_PORT = 65535


def sandbox(*, port: int = 8080, load: PathText = "", db: PathText = "") -> None:
    """Serve the embedded FHIR server on the loopback address until interrupted."""
    from waykeeper.sandbox import serve

    if not 0 <= port <= LAST_PORT:
        raise WaykeeperError(finding("WKC201", f"--port is {port}, a port is a number from 0 to {LAST_PORT}"))
    load, db = as_text(load), as_text(db)
    if load and not Path(load).is_dir():
        found = "this is no folder" if Path(load).exists() else "there is no such folder"
        raise WaykeeperError(finding("WKC101", found, Position(load)))
    serve(port, load or None, db or None)
